"""A table of cells to sorted samples, with every row that is none set aside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.store.batch import Batch
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.cells.quality_codes import settled
from rowcall.take_in.cells.timestamps import in_utc
from rowcall.take_in.load.entries import REASONS, SAME_INSTANT, entries_aside, read_entries
from rowcall.take_in.load.flat import Sorted, sort_once
from rowcall.take_in.load.jumps import find_jumps
from rowcall.take_in.read.cell_table import Table, column
from rowcall.take_in.sniff.layout import Layout


@dataclass(frozen=True, slots=True)
class Assembled:
    """Samples and rows set aside; `rows_read` is counted from the table, not from these two.

    `jump_lines` are the lines before which the time runs back.
    """

    batch: Batch
    set_aside: pl.DataFrame
    rows_read: int
    jump_lines: npt.NDArray[np.int64]


def assemble(
    file: str, table: Table, layout: Layout, zone: ZoneInfo, decimal: str | None
) -> Assembled:
    """Turn the rows of an export into samples; the last of several at one instant counts.

    Raises:
        ExportError: the file leaves open how its numbers are written.
    """
    read = read_entries(
        file,
        table,
        _with_qualities(file, table, layout),
        decimal,
        lambda parsed, tag, _: in_utc(parsed, zone, tag, layout.bounds),
    )
    jumps = np.unique(read.flat.row[find_jumps(read.flat.time_us, read.flat.tag)])
    kept, doubles = sort_once(read.flat)
    aside = read.set_aside
    if len(doubles.row):
        again = np.full(len(doubles.row), REASONS.index(SAME_INSTANT), np.uint8)
        aside = pl.concat([aside, entries_aside(table, layout, doubles.row, doubles.tag, again)])
    return Assembled(batch_of(kept, read.names), aside, read.rows_read, table.line_of(jumps))


def _with_qualities(file: str, table: Table, layout: Layout) -> Layout:
    """Settle how qualities are written by all of their columns; a single one does so by itself."""
    if len(layout.quality) < 2:
        return layout
    columns = [table.frame[column(place)].cast(pl.String) for place in layout.quality.values()]
    texts = pl.concat([cells.unique(maintain_order=True) for cells in columns])
    different = texts.fill_null("").unique(maintain_order=True).to_list()
    place = f"{file}, column {shown(table.names[next(iter(layout.quality.values()))])}"
    return replace(layout, coding=settled(layout.coding, different, place))


def batch_of(kept: Sorted, names: Sequence[str]) -> Batch:
    """Cut sorted entries at the tags; infinities become NaN, and tags without samples go."""
    present = np.flatnonzero(kept.counts)
    value = kept.value
    if np.isinf(value).any():
        value = np.where(np.isinf(value), np.nan, value)
    return Batch(
        tuple(names[place] for place in present.tolist()),
        np.concatenate([[0], np.cumsum(kept.counts[present])]).astype(np.int64),
        kept.time_us,
        value,
        kept.quality,
    )
