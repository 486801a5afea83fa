"""A table of cells to sorted samples, with every row that is none set aside."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.store.batch import Batch
from rowcall.store.samples import BAD, GOOD
from rowcall.take_in.flat import Flat, sort_once
from rowcall.take_in.layout import Layout
from rowcall.take_in.quality import UNKNOWN, quality_codes
from rowcall.take_in.table import Table, column, set_aside
from rowcall.take_in.times import REASONS as TIME_REASONS
from rowcall.take_in.times import Times, in_utc, parse_times
from rowcall.take_in.values import Cell, Values, values_of

SAME_INSTANT = "same instant again"
NO_TAG = "the tag is empty"
NO_VALUE = "the value is empty"
NO_NUMBER = "the value is neither a number nor a word for a bad sensor"
NO_QUALITY = "the quality is not known as good, uncertain or bad"
_REASONS = (*TIME_REASONS, NO_TAG, NO_VALUE, NO_NUMBER, NO_QUALITY, SAME_INSTANT)

Codes = npt.NDArray[np.uint8]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Assembled:
    """Samples and rows set aside; `rows_read` is counted from the table, not from these two."""

    batch: Batch
    set_aside: pl.DataFrame
    rows_read: int


def assemble(
    file: str, table: Table, layout: Layout, zone: ZoneInfo, decimal: str | None
) -> Assembled:
    """Turn the rows of an export into samples; the last of several at one instant counts.

    Raises:
        ExportError: the file leaves open how its numbers are written.
    """
    # The engine's work on whole columns does not hold the interpreter's lock, so columns are read
    # side by side.
    with ThreadPoolExecutor(max_workers=4) as pool:
        parsed = pool.submit(parse_times, table.frame[column(layout.time)], layout.form)
        cells = [table.frame[column(place)] for place in layout.values]
        values = pool.submit(values_of, cells, decimal, file)
        if layout.tag is None:
            return _assemble_wide(table, layout, in_utc(parsed.result(), zone), values.result())
        quality = pool.submit(_quality, table, layout.quality.get(next(iter(layout.values))))
        names, tag = _tags(table.frame[column(layout.tag)])
        times = in_utc(parsed.result(), zone, tag)
        read = _Long(names, tag, times, values.result()[0], quality.result())
    return _assemble_long(table, layout, layout.tag, read)


@dataclass(frozen=True, slots=True)
class _Long:
    """The columns of a long layout, read: `tag` holds places in `names`."""

    names: list[str]
    tag: npt.NDArray[np.uint32]
    times: Times
    values: Values
    quality: Codes


def _assemble_long(table: Table, layout: Layout, tag_place: int, read: _Long) -> Assembled:
    value_place = next(iter(layout.values))
    names, tag, values, quality = read.names, read.tag, read.values, read.quality
    reason = read.times.reason.copy()
    if "" in names:
        _mark(reason, tag == names.index(""), NO_TAG)
    _mark(reason, (values.kind == Cell.EMPTY) & (quality != BAD), NO_VALUE)
    _mark_cells(reason, values, quality)
    flat = Flat(
        tag, np.arange(len(tag)), read.times.time_us, values.number, _final(values, quality)
    )
    kept, doubles = sort_once(flat.take(reason == 0) if reason.any() else flat)
    reason[doubles.row] = _REASONS.index(SAME_INSTANT)
    rows = np.flatnonzero(reason)
    places = {NO_TAG: tag_place, NO_QUALITY: layout.quality.get(value_place, 0)}
    places |= dict.fromkeys((NO_VALUE, NO_NUMBER, SAME_INSTANT), value_place)
    named = [table.names[places.get(text, layout.time)] for text in _REASONS]
    aside = set_aside(
        table.line_of(rows),
        [named[code] for code in reason[rows]],
        table.shown(rows, range(len(table.names))),
        [_REASONS[code] for code in reason[rows]],
    )
    return Assembled(
        _batch(kept, names),
        pl.concat([table.set_aside, aside]),
        table.frame.height + table.set_aside.height,
    )


def _assemble_wide(
    table: Table, layout: Layout, times: Times, columns: Sequence[Values]
) -> Assembled:
    timed = np.flatnonzero(times.reason == 0)
    untimed = np.flatnonzero(times.reason)
    aside = [
        table.set_aside,
        set_aside(
            table.line_of(untimed),
            table.names[layout.time],
            table.shown(untimed, range(len(table.names))),
            [_REASONS[code] for code in times.reason[untimed]],
        ),
    ]
    flats, filled_cells = [], 0
    for number, (place, values) in enumerate(zip(layout.values, columns, strict=True)):
        quality = _quality(table, layout.quality.get(place))
        reason = np.zeros(table.frame.height, np.uint8)
        _mark_cells(reason, values, quality)
        rows = timed if values.kind.max(initial=0) == 0 else timed[values.kind[timed] != Cell.EMPTY]
        filled_cells += len(rows)
        good = rows[reason[rows] == 0] if reason.any() else rows
        flat = Flat(
            np.full(len(good), number, np.uint32),
            good,
            times.time_us[good],
            values.number[good],
            _final(values, quality)[good],
        )
        kept, doubles = sort_once(flat)
        flats.append(kept)
        reason[doubles.row] = _REASONS.index(SAME_INSTANT)
        aside.append(_cells_aside(table, layout.time, place, rows[reason[rows] != 0], reason))
    return Assembled(
        _batch(Flat.joined(flats), list(layout.values.values())),
        pl.concat(aside),
        filled_cells + len(untimed) + table.set_aside.height,
    )


def _cells_aside(
    table: Table, time_place: int, place: int, rows: npt.NDArray[np.int64], reason: Codes
) -> pl.DataFrame:
    """Set cells of a wide column aside, each shown with the time that stands on its line."""
    return set_aside(
        table.line_of(rows),
        table.names[place],
        table.shown(rows, (time_place, place)),
        [_REASONS[code] for code in reason[rows]],
    )


def _tags(cells: pl.Series) -> tuple[list[str], npt.NDArray[np.uint32]]:
    """Return the different tag names without padding, and for each row the place of its name."""
    coded = cells.cast(pl.String).fill_null("").cast(pl.Categorical)
    numbers = coded.to_physical().to_numpy()
    different = coded.unique(maintain_order=True)
    stripped = [name.strip() for name in different.cast(pl.String).to_list()]
    names = list(dict.fromkeys(stripped))
    place = {name: number for number, name in enumerate(names)}
    table = np.zeros(int(numbers.max(initial=0)) + 1, np.uint32)
    table[different.to_physical().to_numpy()] = [place[name] for name in stripped]
    return names, table[numbers]


def _quality(table: Table, place: int | None) -> Codes:
    if place is None:
        return np.full(table.frame.height, GOOD, np.uint8)
    return quality_codes(table.frame[column(place)])


def _mark_cells(reason: Codes, values: Values, quality: Codes) -> None:
    _mark(reason, values.kind == Cell.OTHER, NO_NUMBER)
    _mark(reason, quality == UNKNOWN, NO_QUALITY)


def _mark(reason: Codes, mask: Mask, text: str) -> None:
    """Give the rows of the mask a reason, unless they have one already."""
    if mask.any():
        reason[mask & (reason == 0)] = _REASONS.index(text)


def _final(values: Values, quality: Codes) -> Codes:
    """Return the quality to be stored: no number is never good."""
    finite = np.isfinite(values.number)
    return quality if finite.all() else np.where(finite, quality, BAD).astype(np.uint8)


def _batch(flat: Flat, names: Sequence[str]) -> Batch:
    """Cut sorted entries at the tags; infinities become NaN, and tags without samples go."""
    counts = np.bincount(flat.tag, minlength=len(names))
    present = np.flatnonzero(counts)
    value = flat.value
    if np.isinf(value).any():
        value = np.where(np.isinf(value), np.nan, value)
    return Batch(
        tuple(names[place] for place in present.tolist()),
        np.concatenate([[0], np.cumsum(counts[present])]).astype(np.int64),
        flat.time_us,
        value,
        flat.quality,
    )
