"""A table of cells to entries in the order of its rows, with every row that is none set aside."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.store.samples import BAD, GOOD
from rowcall.take_in.cells.ambiguous_hour import AmbiguousHour
from rowcall.take_in.cells.numbers import Cell, Values, values_of
from rowcall.take_in.cells.overrides import listed
from rowcall.take_in.cells.quality_codes import UNKNOWN, Coding, quality_codes
from rowcall.take_in.cells.timestamps import REASONS as TIME_REASONS
from rowcall.take_in.cells.timestamps import Times, parse_times
from rowcall.take_in.load.flat import Flat
from rowcall.take_in.outcome import UNKNOWN_TAG
from rowcall.take_in.read.cell_table import NOTHING_ASIDE, Table, column, set_aside
from rowcall.take_in.read.text_cells import MORE_FIELDS
from rowcall.take_in.sniff.cut_numbers import may_be_cut
from rowcall.take_in.sniff.layout import Layout

CUT = f"the line may have more fields than columns{MORE_FIELDS}"
SAME_INSTANT = "same instant again"
NO_TAG = "the tag is empty"
NO_EQUIPMENT = "the name of the equipment is empty"
NO_VALUE = "the value is empty"
NO_NUMBER = "the value is neither a number nor a word for a bad sensor"
NO_QUALITY = "the quality is not known as good, uncertain or bad"
STRAY = "the time lies more than four weeks from all others of the file"
REASONS = (
    *TIME_REASONS,
    *(CUT, NO_TAG, NO_EQUIPMENT, UNKNOWN_TAG, NO_VALUE, NO_NUMBER, NO_QUALITY, SAME_INSTANT, STRAY),
)

_MAX_TAGS = 65_535  # what the store can number

Codes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Entries:
    """The samples of a table, unsorted, `flat.tag` numbered through the whole export.

    `rows_read` counts long-layout lines, or wide-layout cells that hold something plus whole lines
    that were set aside; it is counted from the table, not from the other two.
    """

    flat: Flat
    set_aside: pl.DataFrame
    rows_read: int


def read_entries(
    file: str, table: Table, layout: Layout, hour: AmbiguousHour, numbers: dict[str, int]
) -> Entries:
    """Read the cells of a table; one instant may occur again and again.

    Args:
        layout: with nothing left open.
        hour: gives instants to wall times.
        numbers: the tags of the long layout, or pieces of equipment of the wide one, of the export
            so far; new ones are added.

    Raises:
        ExportError: more tags than a store can hold, or two of one name.
    """
    lines = table.line_of(np.arange(table.frame.height))
    parsed = parse_times(layout.time_cells(table.frame), layout.form, table.times)
    values = read_values(table, layout)
    named = layout.equipment if layout.tag is None else layout.tag
    if named is None:
        return _wide(table, layout, hour.in_utc(parsed, None, lines), values, None, numbers)
    names, place_of = _tags(table.frame[column(named)])
    number = _numbered(names, numbers)[place_of]
    _check_tags(file, layout, numbers)
    times = hour.in_utc(parsed, number, lines)
    if layout.tag is None:
        return _wide(table, layout, times, values, number, numbers)
    quality = _quality(table, layout.quality.get(next(iter(layout.values))), layout.coding)
    return _long(table, layout, lines, _Long(number, times, values[0], quality), numbers)


def _check_tags(file: str, layout: Layout, numbers: dict[str, int]) -> None:
    tags = layout.tag_names(numbers)
    role = "tag" if layout.equipment is None else "equipment"
    if len(tags) > _MAX_TAGS:
        raise ExportError(
            f"{file}: the file holds {len(tags):,} tags or more, and {_MAX_TAGS:,} is the most; "
            f"was another column taken for the {role} column? Then give take_in.{role}_column in "
            "the site file."
        )
    if len(set(tags)) < len(tags):
        double = sorted(name for name, count in Counter(tags).items() if count > 1)
        raise ExportError(
            f"{file}: of equipment and columns the names {listed(double)} come out more than once; "
            "name the columns otherwise, by take_in.column_names in the site file."
        )


def read_values(table: Table, layout: Layout) -> list[Values]:
    """Read the value columns of a table."""
    return values_of(
        [table.frame[column(place)] for place in layout.values],
        [table.number(place) for place in layout.values],
        layout.decimal or ".",
        layout.bad_values,
        [place in layout.percents for place in layout.values],
    )


def entries_aside(
    table: Table, layout: Layout, rows: Rows, tags: npt.NDArray[np.uint32], reason: Codes
) -> pl.DataFrame:
    """Set entries aside after all: those of `rows`, of the tags with these numbers.

    Args:
        reason: a place in `REASONS`, a row.
    """
    if layout.tag is not None:
        return _lines_aside(table, layout, rows, reason)
    places = list(layout.values)
    frames = []
    for number in np.unique(tags).tolist():
        mine = tags == number
        place = places[number % len(places)]  # each piece of equipment has all of them
        frames.append(_cells_aside(table, layout, place, rows[mine], reason[mine]))
    return pl.concat(frames) if frames else NOTHING_ASIDE


def _numbered(names: Iterable[str], numbers: dict[str, int]) -> npt.NDArray[np.uint32]:
    """Return the number of each name through the whole file; new names get the next ones."""
    return np.array([numbers.setdefault(name, len(numbers)) for name in names], np.uint32)


@dataclass(frozen=True, slots=True)
class _Long:
    """The columns of a long layout, read."""

    tag: npt.NDArray[np.uint32]
    times: Times
    values: Values
    quality: Codes


def _long(
    table: Table, layout: Layout, lines: Rows, read: _Long, numbers: dict[str, int]
) -> Entries:
    tag, values, quality = read.tag, read.values, read.quality
    reason = read.times.reason
    if "" in numbers:
        _mark(reason, tag == numbers[""], NO_TAG)
    if layout.tags is not None:
        _mark(reason, np.array([name not in layout.tags for name in numbers])[tag], UNKNOWN_TAG)
    _mark_cut(reason, table, layout, next(iter(layout.values)))
    _mark(reason, (values.kind == Cell.EMPTY) & (quality != BAD), NO_VALUE)
    _mark_cells(reason, values, quality)
    flat = Flat(tag, lines, read.times.time_us, values.number, _final(values, quality))
    rows = np.flatnonzero(reason)
    aside = _lines_aside(table, layout, rows, reason[rows])
    return Entries(
        flat.take(reason == 0) if len(rows) else flat,
        pl.concat([table.set_aside, aside]),
        table.frame.height + table.set_aside.height,
    )


def _wide(
    table: Table,
    layout: Layout,
    times: Times,
    columns: Sequence[Values],
    equipment: npt.NDArray[np.uint32] | None,
    numbers: dict[str, int],
) -> Entries:
    if equipment is not None:
        _mark(times.reason, equipment == numbers.get("", _MAX_TAGS), NO_EQUIPMENT)
    timed = np.flatnonzero(times.reason == 0)
    untimed = np.flatnonzero(times.reason)
    aside = [table.set_aside, _lines_aside(table, layout, untimed, times.reason[untimed])]
    tags = layout.tag_names(numbers)
    unknown = np.array([layout.tags is not None and tag not in layout.tags for tag in tags])
    flats, filled_cells = [], 0
    for number, (place, values) in enumerate(zip(layout.values, columns, strict=True)):
        tag = np.full(table.frame.height, number, np.uint32)
        if equipment is not None:
            tag += equipment * np.uint32(len(columns))
        quality = _quality(table, layout.quality.get(place), layout.coding)
        reason = np.zeros(table.frame.height, np.uint8)
        if unknown.any():
            _mark(reason, unknown[tag], UNKNOWN_TAG)
        _mark_cut(reason, table, layout, place)
        _mark_cells(reason, values, quality)
        rows = timed if values.kind.max(initial=0) == 0 else timed[values.kind[timed] != Cell.EMPTY]
        filled_cells += len(rows)
        good = rows[reason[rows] == 0] if reason.any() else rows
        final, lines = _final(values, quality)[good], table.line_of(good)
        flats.append(Flat(tag[good], lines, times.time_us[good], values.number[good], final))
        bad = rows[reason[rows] != 0]
        aside.append(_cells_aside(table, layout, place, bad, reason[bad]))
    rows_read = filled_cells + len(untimed) + table.set_aside.height
    return Entries(Flat.joined(flats), pl.concat(aside), rows_read)


def _lines_aside(table: Table, layout: Layout, rows: Rows, reason: Codes) -> pl.DataFrame:
    """Set whole lines aside, each under the column that is to blame."""
    if not len(rows):
        return NOTHING_ASIDE
    value = next(iter(layout.values))
    tag, quality = layout.tag or 0, layout.quality.get(value, 0)
    blamed = {NO_TAG: tag, UNKNOWN_TAG: tag, NO_QUALITY: quality}
    blamed[NO_EQUIPMENT] = layout.equipment or 0
    blamed |= dict.fromkeys((CUT, NO_VALUE, NO_NUMBER, SAME_INSTANT), value)
    named = [table.names[blamed.get(text, layout.time)] for text in REASONS]
    return set_aside(
        table.line_of(rows),
        [named[code] for code in reason],
        table.shown(rows, range(len(table.names))),
        [REASONS[code] for code in reason],
    )


def _cells_aside(
    table: Table, layout: Layout, place: int, rows: Rows, reason: Codes
) -> pl.DataFrame:
    """Set cells of a wide column aside, each shown with time and equipment of its line."""
    if not len(rows):
        return NOTHING_ASIDE
    return set_aside(
        table.line_of(rows),
        table.names[place],
        table.shown(rows, (*layout.row_places, place)),
        [REASONS[code] for code in reason],
    )


def _tags(cells: pl.Series) -> tuple[list[str], npt.NDArray[np.uint32]]:
    """Return the different tag names without padding, and for each row the place of its name."""
    if cells.dtype.is_float():  # whole numbers beside empty cells, as data frames write them
        whole = cells.cast(pl.Int64, strict=False)
        cells = whole if (whole == cells).all() else cells
    coded = cells
    if cells.dtype != pl.Categorical:
        coding = pl.all().cast(pl.String).fill_null("").cast(pl.Categorical)
        coded = cells.to_frame().lazy().select(coding).collect(engine="streaming").to_series()
    numbers = coded.to_physical().to_numpy()
    different = coded.unique(maintain_order=True)
    stripped = [name.strip() for name in different.to_list()]
    names = list(dict.fromkeys(stripped))
    place = {name: number for number, name in enumerate(names)}
    table = np.zeros(int(numbers.max(initial=0)) + 1, np.uint32)
    table[different.to_physical().to_numpy()] = [place[name] for name in stripped]
    return names, table[numbers]


def _quality(table: Table, place: int | None, coding: Coding) -> Codes:
    if place is None:
        return np.full(table.frame.height, GOOD, np.uint8)
    return quality_codes(table.frame[column(place)], coding)


def _mark_cells(reason: Codes, values: Values, quality: Codes) -> None:
    _mark(reason, values.kind == Cell.OTHER, NO_NUMBER)
    _mark(reason, quality == UNKNOWN, NO_QUALITY)


def _mark_cut(reason: Codes, table: Table, layout: Layout, value: int) -> None:
    if layout.cut_quality and value in layout.quality:
        is_cut = may_be_cut(table, value, layout.quality[value])
        if is_cut is not None:
            _mark(reason, is_cut.to_numpy(), CUT)


def _mark(reason: Codes, mask: Mask, text: str) -> None:
    """Give the rows of the mask a reason, unless they have one already."""
    if mask.any():
        reason[mask & (reason == 0)] = REASONS.index(text)


def _final(values: Values, quality: Codes) -> Codes:
    """Return the quality to be stored: no number is never good."""
    finite = np.isfinite(values.number)
    return quality if finite.all() else np.where(finite, quality, BAD).astype(np.uint8)
