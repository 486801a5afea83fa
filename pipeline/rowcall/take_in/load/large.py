"""Taking in an export that is too large for memory: table by table, then slice by slice.

Three passes over the file at most: one that settles what only the whole file settles, one that
lays all entries out in a staging file, and one for the text of the entries that turned out to be
none. In between the entries come back cut by time, and each slice is stored as a small export is.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.site import TakeIn
from rowcall.store.batch import Part
from rowcall.store.staging import Staging
from rowcall.take_in.cells.ambiguous_hour import DoubledHour
from rowcall.take_in.cells.timestamps import UNCLEAR_HOUR, Bounds
from rowcall.take_in.files.sources import Piece
from rowcall.take_in.load.assemble import batch_of
from rowcall.take_in.load.entries import REASONS, SAME_INSTANT, entries_aside
from rowcall.take_in.load.flat import Flat, sort_once
from rowcall.take_in.load.running_jumps import RunningJumps
from rowcall.take_in.load.tag_numbers import numbered_names, read_numbered
from rowcall.take_in.read.cell_table import set_aside
from rowcall.take_in.read.chunks import (
    Chunked,
    Memory,
    chunked_parquet,
    chunked_text,
    other_writing_of_piece,
    writing_of_piece,
)
from rowcall.take_in.sniff.encoding import NotUtf8Error
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.survey import survey

_SCHEMA = {
    "tag": pl.UInt32,
    "row": pl.Int64,
    "time_us": pl.Int64,
    "value": pl.Float64,
    "quality": pl.UInt8,
}
_ASIDE_ROWS = 200_000  # rows set aside, handed over at a time


@dataclass(frozen=True, slots=True)
class Staged:
    """A large export whose entries wait in a staging file.

    `jumps` is the number of lines before which the time runs back, and the first of them.
    """

    chunked: Chunked
    layout: Layout
    names: Sequence[str]
    rows_read: int
    jumps: tuple[int, int]


def stage(
    piece: Piece, pins: TakeIn, zone: ZoneInfo, bounds: Bounds, memory: Memory, to: Staging
) -> Staged:
    """Read a large export into a staging file.

    Raises:
        ExportError: it cannot be read; names the place and the remedy.
    """
    if piece.is_parquet:
        chunked = chunked_parquet(piece, pins, memory)
        return _stage(piece.name, chunked, pins, zone, bounds, to)
    writing = writing_of_piece(piece, pins)
    try:
        chunked = chunked_text(piece, writing, pins, memory)
        return _stage(piece.name, chunked, pins, zone, bounds, to)
    except NotUtf8Error:
        to.clear()
        chunked = chunked_text(piece, other_writing_of_piece(piece, writing, pins), pins, memory)
        return _stage(piece.name, chunked, pins, zone, bounds, to)


def parts(staged: Staged, to: Staging, memory: Memory) -> Iterator[Part]:
    """Return the entries slice by slice, sorted and one an instant, and all rows set aside."""
    nothing = set_aside([], [], [], [])
    for frame in to.slices(memory.slice_rows):
        kept, doubles = sort_once(_flat(frame))
        to.add_late_aside(
            pl.DataFrame({"row": doubles.row, "tag": doubles.tag}).with_columns(
                pl.lit(REASONS.index(SAME_INSTANT), pl.UInt8).alias("reason")
            )
        )
        yield Part(batch_of(kept, staged.names), nothing)
    no_samples = batch_of(sort_once(_flat(pl.DataFrame(schema=_SCHEMA)))[0], staged.names)
    for rows in _late_aside(staged, to):
        yield Part(no_samples, rows)
    for rows in to.aside(_ASIDE_ROWS):
        yield Part(no_samples, rows)


def first_aside(staged: Staged, to: Staging) -> pl.DataFrame:
    """Return some of the rows set aside, for an export of which nothing else is left."""
    return next(chain(to.aside(_ASIDE_ROWS), _late_aside(staged, to)), pl.DataFrame())


def _stage(
    file: str, chunked: Chunked, pins: TakeIn, zone: ZoneInfo, bounds: Bounds, to: Staging
) -> Staged:
    settled = survey(file, chunked.layout, pins.decimal, chunked.tables)
    layout = replace(settled.layout, bounds=bounds)
    hour, jumps = DoubledHour(file, zone, bounds), RunningJumps()
    numbers: dict[str, int] = {}
    first_row = rows_read = 0
    for table in chunked.tables():
        rows = np.arange(first_row, first_row + table.frame.height)
        read, waiting = read_numbered(file, table, layout, settled.decimal, hour, numbers, rows)
        numbered = numbered_names(read.names, numbers)
        flat = read.flat
        if len(waiting):
            is_waiting = np.isin(flat.row, waiting)
            to.add_waiting(_frame(flat.take(is_waiting), numbered, first_row))
            flat = flat.take(~is_waiting)
        to.add(_frame(flat, numbered, first_row))
        jumps.add(numbered[flat.tag], flat.time_us, table.line_of(flat.row))
        to.add_aside(read.set_aside)
        first_row += table.frame.height
        rows_read += read.rows_read
    told = hour.told()
    if told is not None:
        to.tell(told, REASONS.index(UNCLEAR_HOUR))
    return Staged(chunked, layout, list(numbers), rows_read, jumps.told())


def _late_aside(staged: Staged, to: Staging) -> Iterator[pl.DataFrame]:
    """Return the text of the entries that turned out to be none, which takes another pass."""
    if not to.has_late_aside:
        return
    first = 0
    for table in staged.chunked.tables():
        late = to.late_aside(first, first + table.frame.height)
        if late.height:
            rows, tags = late["row"].to_numpy() - first, late["tag"].to_numpy()
            yield entries_aside(table, staged.layout, rows, tags, late["reason"].to_numpy())
        first += table.frame.height


def _frame(flat: Flat, numbered: npt.NDArray[np.uint32], first_row: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "tag": numbered[flat.tag],
            "row": flat.row + first_row,
            "time_us": flat.time_us,
            "value": flat.value,
            "quality": flat.quality,
        },
        schema=_SCHEMA,
    )


def _flat(frame: pl.DataFrame) -> Flat:
    return Flat(*(frame[name].to_numpy() for name in _SCHEMA))
