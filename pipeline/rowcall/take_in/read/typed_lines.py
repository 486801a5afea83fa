"""A block of text as typed columns, and apart from them the lines that are not plainly written.

Cutting, times, numbers, tags and qualities go through one streaming query (`typed_scan`), which
takes less time and half the memory of keeping every cell as text first. The few lines in doubt are
looked up by their numbers, and go the road over text.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.take_in.read.cell_table import Table, column, set_aside
from rowcall.take_in.read.line_index import LineIndex
from rowcall.take_in.read.parsing import data_bounds, parse
from rowcall.take_in.read.text_cells import odd_lines, without_rows
from rowcall.take_in.read.typed_scan import DOUBT
from rowcall.take_in.sniff.preamble import Head

MOST_DOUBTS = 2_000  # lines of a block looked up one by one; beyond it, cutting all is quicker

Longs = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Block:
    """The lines of a block of text.

    Attributes:
        plain: the rows in typed columns, of which the frame holds those that the layout names:
            times as instants (or as text), values as f64, tags and qualities as categories.
        doubtful: the rows that need a closer look, as cells of text; lines that are no rows are
            set aside here.
        line_ends: how many the block has, those above its data with them.
    """

    plain: Table
    doubtful: Table
    line_ends: int


def read_block(text: bytes, frame: pl.DataFrame, head: Head, first_line: int) -> Block | None:
    """Tell the lines of a block of text apart; None where that takes looking at all of it.

    Lines that look whole are so if the delimiters of the block come out right: one with an empty
    field too many is the only kind that is not seen, and makes the sum too large.

    Args:
        frame: what the typed scan brings of the block.
        head: says on which line of the block the data begins.
        first_line: the number of the block's first line in the file.
    """
    start, end = data_bounds(text, head.data_line)
    index, width = LineIndex.of(text, start, end, head.delimiter), len(head.names)
    doubts = frame[DOUBT][: index.count].arg_true().to_numpy().astype(np.int64)
    if frame.height < index.count or len(doubts) > MOST_DOUBTS:
        return None
    raw = index.lines(doubts)
    fields = np.array([line.count(head.delimiter) + 1 for line in raw], np.int64)
    whole = (index.count - len(doubts)) * (width - 1)
    if index.delimiters != whole + int(fields.sum()) - len(doubts):
        return None
    first = first_line + head.data_line - 1
    plain = _plain(frame.head(index.count), doubts, head, first)

    def cells(rows: Longs) -> pl.DataFrame:
        return text_rows(text, head, first_line, plain.line_of(rows)).frame

    return Block(
        replace(plain, text=cells),
        _doubtful(raw, doubts + first, fields, head),
        index.line_ends,
    )


def text_rows(text: bytes, head: Head, first_line: int, lines: Longs) -> Table:
    """Return rows of a block of text as cells of text.

    Args:
        head: says on which line of the block the data begins.
        first_line: the number of the block's first line in the file.
        lines: the numbers of the rows' lines, in any order.
    """
    places = lines - first_line - head.data_line + 1
    if len(places) > MOST_DOUBTS:
        whole = parse(text, head.delimiter, len(head.names), head.data_line - 1, ragged=True)
        if whole is not None:
            return _table(head, whole[places], lines)
    start, end = data_bounds(text, head.data_line)
    wanted, again = np.unique(places, return_inverse=True)
    raw = LineIndex.of(text, start, end, head.delimiter).lines(wanted)
    return _table(head, _cut(raw, head)[again], lines)


def _plain(frame: pl.DataFrame, doubts: Longs, head: Head, first: int) -> Table:
    lines = None
    if len(doubts):
        is_plain = np.ones(frame.height, np.bool_)
        is_plain[doubts] = False
        lines = np.flatnonzero(is_plain) + first
        frame = without_rows(frame, is_plain)
    # In one piece each, so that the array made of it is a view and no copy.
    columns = [frame[name].rechunk() for name in frame.columns if name != DOUBT]
    nothing = set_aside([], [], [], [])
    return Table(head.names, pl.DataFrame(columns), first, lines, nothing, head.delimiter)


def _doubtful(raw: Sequence[str], lines: Longs, fields: Longs, head: Head) -> Table:
    width = len(head.names)
    rows = np.flatnonzero(fields == width)
    cells = _cut([raw[row] for row in rows.tolist()], head)
    return _table(head, cells, lines[rows], odd_lines(lines, raw, fields, width))


def _cut(raw: Sequence[str], head: Head) -> pl.DataFrame:
    cut = [line.removesuffix("\r").split(head.delimiter) for line in raw]
    schema = {column(place): pl.String for place in range(len(head.names))}
    return pl.DataFrame(cut, schema=schema, orient="row")


def _table(
    head: Head, cells: pl.DataFrame, lines: Longs, aside: pl.DataFrame | None = None
) -> Table:
    nothing = set_aside([], [], [], [])
    return Table(head.names, cells, 0, lines, nothing if aside is None else aside, head.delimiter)
