"""The head of a text export: delimiter, header lines, units line, and where the data begins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import edit, edit_of, shown
from rowcall.take_in.cells.time_formats import (
    MAX_CLOCKS,
    MAX_GUESSED,
    is_clock,
    likely_patterns,
)
from rowcall.take_in.sniff.column_words import TAG_WORDS, TIME_WORDS, VALUE_WORDS
from rowcall.take_in.sniff.damaged_bytes import MARK, ZERO_MARK
from rowcall.take_in.sniff.delimiter import (
    DELIMITERS,
    Split,
    best_split,
    cut_line,
    first_few,
    first_lines,
    foreign_rows,
    has_value,
    timed_places,
)


@dataclass(frozen=True, slots=True)
class Head:
    """What the first lines of a text export say.

    Attributes:
        delimiter: the character between fields.
        names: column names without quotes and padding; empty where a column has none.
        units: the units line under the header, one text a column; empty without such a line.
        data_line: 1-based number of the first line of data.
        sample: the first rows of data, each as long as `names`.
        header_line: 1-based number of the line with the names, 0 where the site file has them.
        units_line: 1-based number of the units line, 0 without one.
        foreign: 1-based numbers of lines above the data that hold rows in another form.
    """

    delimiter: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    data_line: int
    sample: tuple[tuple[str, ...], ...]
    header_line: int = 0
    units_line: int = 0
    foreign: tuple[int, ...] = ()


def read_head(file: str, text: bytes, overrides: TakeIn) -> Head:
    """Find out how a text export is written.

    Raises:
        ExportError: no header, no data, or no times under any delimiter, or other than the site
            file says; names what would settle it.
    """
    lines = first_lines(text)
    choices = (overrides.delimiter,) if overrides.delimiter else DELIMITERS
    best = best_split(lines, choices, overrides)
    if not best.data:
        raise ExportError(_no_data(file, lines, overrides))
    foreign = foreign_rows(lines[: best.data[0]], overrides)
    above = _above(best, foreign)
    header = _header(file, best, above, overrides)
    below = [number for number in above if header is None or number > header]
    odd = [
        number for number in below if overrides.units_line is None and has_value(best.lines[number])
    ]
    above = [number for number in above if number not in odd]
    units = _units(file, best, above, header, overrides)
    names = _names(file, best, header, overrides)
    _check_whole(file, names, header)
    return Head(
        delimiter=best.delimiter,
        names=names,
        units=() if units is None else _fitted(best.lines[units], best.width),
        data_line=best.data[0] + 1,
        sample=tuple(
            tuple(best.lines[number])
            for number in best.data
            if len(best.lines[number]) == best.width
        ),
        header_line=0 if header is None else header + 1,
        units_line=0 if units is None else units + 1,
        foreign=tuple(sorted({n + 1 for n in (*foreign, *odd) if n not in (header, units)})),
    )


def _above(split: Split, foreign: Sequence[int]) -> list[int]:
    """Return the lines above the data that are as wide as it, below those of another export."""
    above = [
        number
        for number in range(split.data[0])
        if any(cell.strip() for cell in split.lines[number])
        and split.width - 1 <= len(split.lines[number]) <= split.width
    ]
    return [number for number in above if number > max(foreign, default=-1)] or above


def _check_whole(file: str, names: Sequence[str], header: int | None) -> None:
    """Refuse column names with bytes that could not be read."""
    if any(MARK in name or ZERO_MARK in name for name in names):
        raise ExportError(
            f"{file}: line {(header or 0) + 1} names the columns, and holds bytes that are not "
            f"UTF-8; export it again, or give {edit('encoding', 'cp1252')} (or what it is written "
            "in) in the site file."
        )


def _header(file: str, split: Split, above: Sequence[int], overrides: TakeIn) -> int | None:
    """Choose the line with the column names among the lines above the data."""
    if overrides.header_line is not None and overrides.header_line - 1 not in above:
        guess = f"set {edit('header_line', above[0] + 1)}" if above else "take it out"
        raise ExportError(
            f"{file}: {edit('header_line', overrides.header_line)} in the site file, but that "
            f"line does not name {split.width} columns above the data; {guess}."
        )
    if overrides.header_line is not None:
        return overrides.header_line - 1
    if overrides.column_names:
        return None
    if not above:
        raise ExportError(
            f"{file}: line {split.data[0] + 1} holds data, but no line above it names its "
            f"{split.width} columns; export the file with a header line, or name the columns in "
            f"the site file: {edit('column_names', _guessed_names(split, overrides))}."
        )
    named = (
        overrides.time_column,
        overrides.tag_column,
        overrides.value_column,
        overrides.quality_column,
        overrides.equipment_column,
    )
    wanted = {name.strip().casefold() for name in named if name}
    words = TIME_WORDS | TAG_WORDS | VALUE_WORDS
    for known in (wanted, words):
        for number in above:
            if known & {" ".join(cell.casefold().split()) for cell in split.lines[number]}:
                return number
    full = [number for number in above if all(cell.strip() for cell in split.lines[number])]
    return full[0] if full else above[0]


def _units(
    file: str, split: Split, above: Sequence[int], header: int | None, overrides: TakeIn
) -> int | None:
    """Return the units line: as the site file says, else the first between header and data."""
    below = [number for number in above if header is not None and number > header]
    if overrides.units_line is None:
        return below[0] if below else None
    if overrides.units_line and overrides.units_line - 1 not in {*above} - {header}:
        raise ExportError(
            f"{file}: {edit('units_line', overrides.units_line)} in the site file, but that "
            f"line does not hold {split.width} fields above the data; "
            f"set {edit('units_line', below[0] + 1 if below else 0)}."
        )
    return overrides.units_line - 1 if overrides.units_line else None


def _names(file: str, split: Split, header: int | None, overrides: TakeIn) -> tuple[str, ...]:
    if not overrides.column_names:
        return _fitted(split.lines[header or 0], split.width)
    if len(overrides.column_names) != split.width:
        raise ExportError(
            f"{file}: take_in.column_names in the site file names {len(overrides.column_names)} "
            f"columns, but the data has {split.width}; "
            f"set {edit('column_names', _guessed_names(split, overrides))}."
        )
    return tuple(name.strip() for name in overrides.column_names)


def _guessed_names(split: Split, overrides: TakeIn) -> list[str]:
    """Return a name for each column, so that a person sees what to correct."""
    row = split.lines[split.data[0]]
    times = timed_places(row, overrides)
    texts = [
        place
        for place, cell in enumerate(row)
        if place not in times and any(sign.isalpha() for sign in cell)
    ]
    names = {times[0]: "time"} | dict(zip(texts, ("tag", "quality"), strict=False))
    left = [place for place in range(split.width) if place not in names]
    if texts and len(left) == 1:
        names[left[0]] = "value"
    return [names.get(place, f"column {place + 1}") for place in range(split.width)]


def _fitted(row: Sequence[str], width: int) -> tuple[str, ...]:
    cells = [cell.strip() for cell in row]
    return tuple(cells + [""] * (width - len(cells)))


def _no_data(file: str, lines: Sequence[str], overrides: TakeIn) -> str:
    """Say that no line holds a time, and what in the site file would make one."""
    filled = [number for number, line in enumerate(lines, start=1) if line.strip()]
    last = lines[filled[-1] - 1] if filled else ""
    place = f"line {filled[-1] if filled else 1} holds {shown(last, 60)}"
    begin = f"{file}: no line of data was found ({place})"
    other = best_split(lines, DELIMITERS, overrides)
    if overrides.delimiter and other.data:
        return (
            f"{begin} with {edit('delimiter', overrides.delimiter)} in the site file; the fields "
            f"seem to be cut otherwise, so set {edit('delimiter', other.delimiter)}."
        )
    for delimiter in DELIMITERS:
        cells = [cell.strip() for cell in cut_line(last, delimiter)]
        clocks = ["", *(f" {cell}" for cell in first_few(filter(is_clock, cells), MAX_CLOCKS))]
        for clock in clocks if len(cells) > 1 else ():
            for cell in first_few(cells, MAX_GUESSED):
                if likely := likely_patterns([cell + clock]):
                    return (
                        f"{begin} whose time is in a known form; if {shown(cell + clock)} is one, "
                        f"give {edit_of('time_format', likely)} in the site file."
                    )
    if overrides.encoding:
        begin += f" when read with {edit('encoding', overrides.encoding)} of the site file"
    return (
        f"{begin}; if the file has data, give take_in.delimiter and take_in.time_format in the "
        "site file."
    )
