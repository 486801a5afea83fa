"""Which column of an export holds its times, or which two: the date and the time of day."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import polars as pl

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import edit, edit_of, listed, override_place, plain, shown
from rowcall.take_in.cells.time_formats import (
    MAX_CLOCKS,
    MAX_GUESSED,
    TimeForm,
    common_form,
    given_form,
    is_clock,
    is_date,
    is_pattern,
    likely_patterns,
    plain_pattern,
)
from rowcall.take_in.cells.timestamps import is_usable, parse_times
from rowcall.take_in.sniff.column_words import TIME_WORDS, Rows


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """Places (0-based): `time`, and `clock` where the time of day stands apart from the date."""

    time: int
    clock: int | None
    form: TimeForm


@dataclass(frozen=True, slots=True)
class _Seen:
    """What the first rows of each column hold."""

    file: str
    names: Sequence[str]
    sample: Rows
    typed: Collection[int]
    forms: dict[int, TimeForm]  # whole instants
    dates: list[int]
    clocks: list[int]
    given: TimeForm | None  # as the site file says

    def cells(self, time: int, clock: int | None = None) -> list[str]:
        """Return the filled cells of a column, or of two joined."""
        if clock is None:
            return [row[time].strip() for row in self.sample if row[time].strip()]
        return [f"{row[time].strip()} {row[clock].strip()}" for row in self.sample]

    def fits(self, time: int, clock: int | None = None) -> bool:
        """True where the site file's form reads at least one of the cells."""
        if time in self.typed and clock is None:
            return time in self.forms
        cells = self.cells(time, clock)
        given = self.given
        if given is None or not cells:
            return False
        return parse_times(pl.Series(cells), given).time.null_count() < len(cells)


def find_time_column(
    file: str, names: Sequence[str], sample: Rows, overrides: TakeIn, typed: Collection[int] = ()
) -> TimeColumn:
    """Find the time column, or the date's and the clock's, and how instants are written.

    Args:
        typed: places of columns typed as instants, dates or times of day: no pattern applies.

    Raises:
        ExportError: there is none, or more than one could be meant; says what settles it.
    """
    seen = _look(file, names, sample, overrides, typed)
    time = override_place(
        file, names, overrides.time_column, "time_column", [*seen.forms, *seen.dates]
    )
    clock = override_place(file, names, overrides.clock_column, "clock_column", seen.clocks)
    if time is None and clock is None:
        time = _alone(seen)
    if time is None or (clock is None and time not in seen.forms and not seen.fits(time)):
        time, clock = _joined(seen, time, clock)
    return TimeColumn(time, clock, _form(seen, time, clock, overrides))


def _look(
    file: str, names: Sequence[str], sample: Rows, overrides: TakeIn, typed: Collection[int]
) -> _Seen:
    columns = [[row[place] for row in sample if row[place].strip()] for place in range(len(names))]
    forms = {
        place: form
        for place, cells in enumerate(columns)
        if (form := common_form(cells)) is not None
    }

    def most(test: Collection[bool]) -> bool:
        return 2 * sum(test) > len(test)

    return _Seen(
        file,
        names,
        sample,
        typed,
        forms,
        [place for place, cells in enumerate(columns) if most([is_date(cell) for cell in cells])],
        [place for place, cells in enumerate(columns) if most([is_clock(cell) for cell in cells])],
        _given(file, overrides.time_format) if overrides.time_format else None,
    )


def _given(file: str, pattern: str) -> TimeForm:
    form = given_form(pattern)
    if not is_pattern(pattern) or not (form.epoch or is_usable(form.pattern)):
        raise ExportError(
            f"{file}: {edit('time_format', pattern)} in the site file is no pattern of date and "
            "time; correct it, or take it out to have the form found."
        )
    return form


def _alone(seen: _Seen) -> int | None:
    """Return the one column that holds whole instants, None where dates and clocks stand apart."""
    named = [place for place, name in enumerate(seen.names) if plain(name) in TIME_WORDS]
    readable = [place for place in range(len(seen.names)) if seen.fits(place)]
    written = [place for place, form in seen.forms.items() if not form.epoch]
    parted = bool(seen.dates and seen.clocks)
    for choice in (
        [place for place in named if place in readable],
        readable,
        [place for place in named if place in seen.forms],
        written,
        [] if written or parted else [place for place in seen.forms if place == 0],
    ):
        if len(choice) == 1:
            return choice[0]
        if len(choice) > 1:
            raise ExportError(
                f"{seen.file}: the columns {listed([seen.names[place] for place in choice])} all "
                "hold times; name the right one in the site file, such as "
                f"{edit('time_column', seen.names[choice[0]])}."
            )
    return None


def _joined(seen: _Seen, time: int | None, clock: int | None) -> tuple[int, int | None]:
    """Return the column of dates and the one of times of day."""
    dates = seen.dates if time is None else [time]
    clocks = seen.clocks if clock is None else [clock]
    if not dates and len(clocks) == 1:
        dates = [place for place in range(len(seen.names)) if seen.fits(place, clocks[0])]
    if len(dates) == 1 and len(clocks) == 1:
        return dates[0], clocks[0]
    if time is not None and not clocks:
        return time, None
    raise ExportError(_no_pair(seen, time, clock, dates, clocks))


def _no_pair(
    seen: _Seen, time: int | None, clock: int | None, dates: Sequence[int], clocks: Sequence[int]
) -> str:
    """Say why no columns of dates and times of day were found, and what would tell them."""
    if time is None and clock is not None and seen.forms:
        whole = seen.names[next(iter(seen.forms))]
        return (
            f"{seen.file}: {edit('clock_column', seen.names[clock])} in the site file, but the "
            f"column {shown(whole)} holds both date and time of day; take that line out."
        )
    for places, key in ((dates, "time_column"), (clocks, "clock_column")):
        if len(places) > 1 and dates and clocks:
            return (
                f"{seen.file}: date and time of day stand apart, and the columns "
                f"{listed([seen.names[place] for place in places])} could each be meant; name the "
                f"right one in the site file, such as {edit(key, seen.names[places[0]])}."
            )
    if dates and not clocks:
        return (
            f"{seen.file}: the column {shown(seen.names[dates[0]])} holds dates without a time "
            "of day; export the file with the time of each value."
        )
    likely = [
        pattern
        for clock_place in (None, *seen.clocks[:MAX_CLOCKS])
        for place in range(min(len(seen.names), MAX_GUESSED))
        for pattern in likely_patterns(seen.cells(place, clock_place))
    ]
    advice = "give take_in.time_column and take_in.time_format in the site file"
    if likely:
        advice = f"if it is right, give {edit_of('time_format', likely)} in the site file"
    return (
        f"{seen.file}: none of the columns {listed(seen.names)} holds times in a known form; "
        f"{advice}."
    )


def _form(seen: _Seen, time: int, clock: int | None, overrides: TakeIn) -> TimeForm:
    """Return how the times are written: as the site file says, where that fits, else as found."""
    cells = seen.cells(time, clock)
    found = seen.forms.get(time) if clock is None else common_form(cells)
    name = seen.names[time]
    example = cells[0] if cells else ""
    if seen.given is not None and not seen.fits(time, clock):
        likely = [plain_pattern(found)] if found else likely_patterns(cells)
        advice = f"set {edit_of('time_format', likely)}" if likely else "correct it"
        raise ExportError(
            f"{seen.file}, column {shown(name)}: "
            f"{edit('time_format', overrides.time_format or '')} in the site file, but the "
            f"column holds {shown(example)}; {advice}."
        )
    if seen.given is not None and time not in seen.typed:
        return seen.given
    if found is None:
        likely = likely_patterns(cells)
        advice = f", such as {edit_of('time_format', likely)}" if likely else ""
        raise ExportError(
            f"{seen.file}: the time column {shown(name)} holds {shown(example)}, which is no known "
            f"form of a time; give take_in.time_format in the site file{advice}."
        )
    return replace(found, day_first=overrides.day_first) if found.order_open else found
