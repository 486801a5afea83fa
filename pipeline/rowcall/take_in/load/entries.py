"""A table of cells to entries in the order of its rows, with every row that is none set aside."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.store.samples import BAD, GOOD
from rowcall.take_in.cells.numbers import Cell, Values, values_of
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.cells.quality_codes import UNKNOWN, Coding, quality_codes
from rowcall.take_in.cells.timestamps import REASONS as TIME_REASONS
from rowcall.take_in.cells.timestamps import Parsed, Times, parse_times
from rowcall.take_in.load.flat import Flat
from rowcall.take_in.read.cell_table import Table, column, set_aside
from rowcall.take_in.sniff.layout import Layout

SAME_INSTANT = "same instant again"
NO_TAG = "the tag is empty"
NO_VALUE = "the value is empty"
NO_NUMBER = "the value is neither a number nor a word for a bad sensor"
NO_QUALITY = "the quality is not known as good, uncertain or bad"
UNKNOWN_TAG = "no baghouse of the site file has this tag"
REASONS = (*TIME_REASONS, NO_TAG, UNKNOWN_TAG, NO_VALUE, NO_NUMBER, NO_QUALITY, SAME_INSTANT)

_MOST_TAGS = 65_535  # what the store can number

Codes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]
Rows = npt.NDArray[np.int64]

# From a column of times as read, and of each row the tag as a place in the names given last
# (None: the rows are one sequence).
InUtc: TypeAlias = Callable[[Parsed, npt.NDArray[np.uint32] | None, Sequence[str]], Times]


@dataclass(frozen=True, slots=True)
class Entries:
    """The samples of a table, unsorted, `flat.tag` holding places in `names`.

    `rows_read` counts long-layout lines, or wide-layout cells that hold something plus whole lines
    that were set aside; it is counted from the table, not from the other two.
    """

    names: Sequence[str]
    flat: Flat
    set_aside: pl.DataFrame
    rows_read: int


def read_entries(
    file: str, table: Table, layout: Layout, decimal: str | None, in_utc: InUtc
) -> Entries:
    """Read the cells of a table; one instant may occur again and again.

    Raises:
        ExportError: the table leaves open how its numbers are written.
    """
    # The engine's work on whole columns does not hold the interpreter's lock, so columns are read
    # side by side.
    with ThreadPoolExecutor(max_workers=4) as pool:
        parsed = pool.submit(parse_times, layout.time_cells(table.frame), layout.form)
        cells = [table.frame[column(place)] for place in layout.values]
        values = pool.submit(values_of, cells, decimal, file, layout.bad_values)
        if layout.tag is None:
            times = in_utc(parsed.result(), None, ())
            return _wide(file, table, layout, times, values.result())
        place = layout.quality.get(next(iter(layout.values)))
        quality = pool.submit(_quality, file, table, place, layout.coding)
        names, tag = _tags(table.frame[column(layout.tag)])
        check_tags(file, len(names))
        times = in_utc(parsed.result(), tag, names)
        read = _Long(names, tag, times, values.result()[0], quality.result())
    return _long(table, layout, read)


def entries_aside(
    table: Table, layout: Layout, rows: Rows, tags: npt.NDArray[np.uint32], reason: Codes
) -> pl.DataFrame:
    """Set entries aside after all: those of `rows`, of the tags at these places of `values`.

    Args:
        reason: a place in `REASONS`, a row.
    """
    if layout.tag is not None:
        return _lines_aside(table, layout, rows, reason)
    places = list(layout.values)
    frames = []
    for number in np.unique(tags).tolist():
        mine = tags == number
        frames.append(_cells_aside(table, layout, places[number], rows[mine], reason[mine]))
    return pl.concat(frames) if frames else set_aside([], [], [], [])


def check_tags(file: str, count: int) -> None:
    """Raise an ExportError where an export has more tags than a store can hold."""
    if count > _MOST_TAGS:
        raise ExportError(
            f"{file}: the file holds {count:,} tags or more, and {_MOST_TAGS:,} is the most; was "
            "another column taken for the tag column? Then give take_in.tag_column in the site "
            "file."
        )


@dataclass(frozen=True, slots=True)
class _Long:
    """The columns of a long layout, read: `tag` holds places in `names`."""

    names: list[str]
    tag: npt.NDArray[np.uint32]
    times: Times
    values: Values
    quality: Codes


def _long(table: Table, layout: Layout, read: _Long) -> Entries:
    names, tag, values, quality = read.names, read.tag, read.values, read.quality
    reason = read.times.reason.copy()
    if "" in names:
        _mark(reason, tag == names.index(""), NO_TAG)
    if layout.tags is not None:
        _mark(reason, np.array([name not in layout.tags for name in names])[tag], UNKNOWN_TAG)
    _mark(reason, (values.kind == Cell.EMPTY) & (quality != BAD), NO_VALUE)
    _mark_cells(reason, values, quality)
    flat = Flat(
        tag, np.arange(len(tag)), read.times.time_us, values.number, _final(values, quality)
    )
    rows = np.flatnonzero(reason)
    aside = _lines_aside(table, layout, rows, reason[rows])
    return Entries(
        names,
        flat.take(reason == 0) if len(rows) else flat,
        pl.concat([table.set_aside, aside]),
        table.frame.height + table.set_aside.height,
    )


def _wide(
    file: str, table: Table, layout: Layout, times: Times, columns: Sequence[Values]
) -> Entries:
    timed = np.flatnonzero(times.reason == 0)
    untimed = np.flatnonzero(times.reason)
    aside = [
        table.set_aside,
        set_aside(
            table.line_of(untimed),
            table.names[layout.time],
            table.shown(untimed, range(len(table.names))),
            [REASONS[code] for code in times.reason[untimed]],
        ),
    ]
    flats, filled_cells = [], 0
    for number, (place, values) in enumerate(zip(layout.values, columns, strict=True)):
        quality = _quality(file, table, layout.quality.get(place), layout.coding)
        reason = np.zeros(table.frame.height, np.uint8)
        unknown = layout.tags is not None and layout.values[place] not in layout.tags
        _mark(reason, np.full(len(reason), unknown), UNKNOWN_TAG)
        _mark_cells(reason, values, quality)
        rows = timed if values.kind.max(initial=0) == 0 else timed[values.kind[timed] != Cell.EMPTY]
        filled_cells += len(rows)
        good = rows[reason[rows] == 0] if reason.any() else rows
        flats.append(
            Flat(
                np.full(len(good), number, np.uint32),
                good,
                times.time_us[good],
                values.number[good],
                _final(values, quality)[good],
            )
        )
        bad = rows[reason[rows] != 0]
        aside.append(_cells_aside(table, layout, place, bad, reason[bad]))
    return Entries(
        list(layout.values.values()),
        Flat.joined(flats),
        pl.concat(aside),
        filled_cells + len(untimed) + table.set_aside.height,
    )


def _lines_aside(table: Table, layout: Layout, rows: Rows, reason: Codes) -> pl.DataFrame:
    """Set whole lines of the long layout aside, each under the column that is to blame."""
    value = next(iter(layout.values))
    tag, quality = layout.tag or 0, layout.quality.get(value, 0)
    blamed = {NO_TAG: tag, UNKNOWN_TAG: tag, NO_QUALITY: quality}
    blamed |= dict.fromkeys((NO_VALUE, NO_NUMBER, SAME_INSTANT), value)
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
    """Set cells of a wide column aside, each shown with the time that stands on its line."""
    return set_aside(
        table.line_of(rows),
        table.names[place],
        table.shown(rows, (*layout.time_places, place)),
        [REASONS[code] for code in reason],
    )


def _tags(cells: pl.Series) -> tuple[list[str], npt.NDArray[np.uint32]]:
    """Return the different tag names without padding, and for each row the place of its name."""
    coded = cells
    if cells.dtype != pl.Categorical:
        coding = pl.all().cast(pl.String).fill_null("").cast(pl.Categorical)
        coded = cells.to_frame().lazy().select(coding).collect(engine="streaming").to_series()
    numbers = coded.to_physical().to_numpy()
    different = coded.unique(maintain_order=True)
    stripped = [name.strip() for name in different.cast(pl.String).to_list()]
    names = list(dict.fromkeys(stripped))
    place = {name: number for number, name in enumerate(names)}
    table = np.zeros(int(numbers.max(initial=0)) + 1, np.uint32)
    table[different.to_physical().to_numpy()] = [place[name] for name in stripped]
    return names, table[numbers]


def _quality(file: str, table: Table, place: int | None, coding: Coding) -> Codes:
    if place is None:
        return np.full(table.frame.height, GOOD, np.uint8)
    return quality_codes(
        table.frame[column(place)], coding, f"{file}, column {shown(table.names[place])}"
    )


def _mark_cells(reason: Codes, values: Values, quality: Codes) -> None:
    _mark(reason, values.kind == Cell.OTHER, NO_NUMBER)
    _mark(reason, quality == UNKNOWN, NO_QUALITY)


def _mark(reason: Codes, mask: Mask, text: str) -> None:
    """Give the rows of the mask a reason, unless they have one already."""
    if mask.any():
        reason[mask & (reason == 0)] = REASONS.index(text)


def _final(values: Values, quality: Codes) -> Codes:
    """Return the quality to be stored: no number is never good."""
    finite = np.isfinite(values.number)
    return quality if finite.all() else np.where(finite, quality, BAD).astype(np.uint8)
