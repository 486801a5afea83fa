"""The samples of a plainly written long text, read block by block while it is still arriving.

What of a text only the whole of it tells is supposed here to be as its beginning has it, and held
against all of it at the end. Whatever turns out otherwise goes back to the road over the whole.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.store.batch import Batch
from rowcall.take_in.cells.ambiguous_hour import DoubledHour
from rowcall.take_in.cells.numbers import settled_decimal
from rowcall.take_in.cells.quality_codes import Coding, settled
from rowcall.take_in.cells.timestamps import UNCLEAR_HOUR, Bounds
from rowcall.take_in.load.assemble import Assembled, batch_of
from rowcall.take_in.load.entries import REASONS, SAME_INSTANT, entries_aside
from rowcall.take_in.load.flat import Flat, sort_once
from rowcall.take_in.load.jumps import find_jumps
from rowcall.take_in.load.sorted_blocks import SortedBlock, in_file_order, laid_together, piece_of
from rowcall.take_in.load.tag_numbers import numbered_names, read_numbered
from rowcall.take_in.read.beginning import NotPlainError
from rowcall.take_in.read.begun_text import BegunText
from rowcall.take_in.read.cell_table import Table, column
from rowcall.take_in.read.text_tables import name_columns
from rowcall.take_in.read.typed_lines import Block, read_block, text_rows
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.preamble import Head

Longs = npt.NDArray[np.int64]


def assemble_pieces(
    file: str,
    begun: BegunText,
    pool: Executor,
    again: Callable[[], Iterator[bytes]],
    zone: ZoneInfo,
    bounds: Bounds,
    decimal: str | None,
) -> Assembled | None:
    """Return the samples of a text export, None where only the whole of it tells how to read it.

    Args:
        pool: threads that sort beside.
        again: reads the blocks of text once more, for the text of rows that are set aside late.

    Raises:
        ExportError: it cannot be read; names the place and the remedy.
    """
    layout = replace(begun.layout, bounds=bounds)
    read = _Read(file, layout, zone, pool)
    try:
        first_lines, doubtful = _read_blocks(begun, read)
        if doubtful.frame.height:
            _check(file, doubtful, layout, decimal)
        read.add(doubtful)
    except NotPlainError:
        return None
    shifts = read.hour.told()
    pieces = read.pieces()
    kept = laid_together(pieces) if shifts is None else None
    if kept is not None:
        return read.assembled(batch_of(kept, read.names), [], np.empty(0, np.int64))
    flat = in_file_order(pieces)
    pieces.clear()
    late = []
    if shifts is not None:
        flat, unclear = _shifted(flat, shifts)
        late.append((unclear, UNCLEAR_HOUR))
    jumps = np.unique(flat.row[find_jumps(flat.time_us, flat.tag)])
    kept, doubles = sort_once(flat)
    late.append((doubles, SAME_INSTANT))
    text = _Again(begun.head, first_lines, again)
    asides = [text.set_aside(layout, gone, reason) for gone, reason in late if len(gone.row)]
    return read.assembled(batch_of(kept, read.names), asides, jumps)


def _read_blocks(begun: BegunText, read: _Read) -> tuple[list[int], Table]:
    """Read all plain rows; return the first line of each block, and the rows in doubt.

    Raises:
        NotPlainError: only the whole of the text tells how to read it.
    """
    first_lines, doubtful = [1], []
    for block in _blocks(begun):
        read.add(block.plain)
        doubtful.append(block.doubtful)
        first_lines.append(first_lines[-1] + block.line_ends)
    return first_lines[:-1], _joined(doubtful)


def _blocks(begun: BegunText) -> Generator[Block]:
    line = 1
    for number, (text, frame) in enumerate(begun.scanned):
        block = read_block(text, frame, _head_of(begun.head, number), line)
        if block is None:
            raise NotPlainError
        yield block
        line += block.line_ends


def _joined(tables: Sequence[Table]) -> Table:
    """Return the rows of several tables of text, which name their lines, as one."""
    return replace(
        tables[0],
        frame=pl.concat([table.frame for table in tables]),
        lines=np.concatenate([table.lines for table in tables if table.lines is not None]),
        set_aside=pl.concat([table.set_aside for table in tables]),
    )


def _head_of(head: Head, number: int) -> Head:
    """Return what the head says of the block of this number."""
    return replace(head, data_line=1) if number else head


def _check(file: str, doubtful: Table, layout: Layout, decimal: str | None) -> None:
    """See that the rows in doubt leave it at a decimal point, and at one header.

    Raises:
        NotPlainError: they do not.
        ExportError: the values leave open which decimal sign it is.
    """
    times = doubtful.frame[column(layout.time)]
    rows = ((times > ":") | (times == "")).arg_true()
    if len(rows) and name_columns(doubtful.frame[rows], doubtful.names, layout.time).any():
        raise NotPlainError
    (place,) = layout.values
    texts = doubtful.frame[column(place)]
    # A column of nothing but percentages is read otherwise than some among plain numbers.
    if texts.str.strip_chars_end().str.ends_with("%").any():
        raise NotPlainError
    if decimal is None:
        numbers = texts.cast(pl.Float64, strict=False)
        if settled_decimal([texts], [numbers], file) != ".":
            raise NotPlainError


class _Read:
    """What was read so far; of the text behind it, nothing is kept. Rows go by their lines."""

    def __init__(self, file: str, layout: Layout, zone: ZoneInfo, pool: Executor) -> None:
        self._pool = pool
        self._sorting: list[Future[SortedBlock]] = []
        self.hour = DoubledHour(file, zone, layout.bounds)
        self._file, self._layout = file, layout
        self._coding = _RunningCoding(file, layout)
        self._numbers: dict[str, int] = {}
        self._rows_read = 0
        self._asides: list[pl.DataFrame] = []

    def pieces(self) -> list[SortedBlock]:
        """Return all entries, sorted piece by piece."""
        pieces = [sorting.result() for sorting in self._sorting]
        self._sorting.clear()
        return pieces

    @property
    def names(self) -> list[str]:
        """The tags, in the order of their numbers."""
        return list(self._numbers)

    def add(self, table: Table) -> None:
        """Read a table.

        Raises:
            NotPlainError: only the whole of the text tells how to read it.
        """
        layout = replace(self._layout, coding=self._coding.of(table))
        lines = table.line_of(np.arange(table.frame.height))
        entries, _ = read_numbered(self._file, table, layout, ".", self.hour, self._numbers, lines)
        flat = entries.flat
        tag = numbered_names(entries.names, self._numbers)[flat.tag]
        own = replace(flat, tag=tag, row=lines[flat.row])
        self._sorting.append(self._pool.submit(piece_of, own))
        self._asides.append(entries.set_aside)
        self._rows_read += entries.rows_read

    def assembled(self, batch: Batch, late: list[pl.DataFrame], jumps: Longs) -> Assembled:
        """Return all of it, with some of its rows set aside late."""
        return Assembled(batch, pl.concat([*self._asides, *late]), self._rows_read, jumps)


class _RunningCoding:
    """How qualities are written, as far as the tables so far tell."""

    def __init__(self, file: str, layout: Layout) -> None:
        self._coding: Coding = layout.coding
        self._file, self._layout = file, layout
        self._different: dict[str, None] = {}

    def of(self, table: Table) -> Coding:
        """Return it for the next table.

        Raises:
            NotPlainError: it tells otherwise than those before, or leaves open what is meant.
        """
        (place,) = self._layout.values
        if place not in self._layout.quality:
            return self._coding
        cells = table.frame[column(self._layout.quality[place])]
        texts = cells.unique().cast(pl.String).to_list()
        new = [text for text in texts if text not in self._different]
        if new:
            before = self._coding.words
            self._different |= dict.fromkeys(new)
            try:
                self._coding = settled(self._layout.coding, list(self._different), self._file)
            except ExportError as error:
                raise NotPlainError from error
            if any(self._coding.words[word] != code for word, code in before.items()):
                raise NotPlainError
        return self._coding


class _Again:
    """The text once more, for rows that are set aside when all of it was read."""

    def __init__(
        self, head: Head, first_lines: list[int], blocks: Callable[[], Iterator[bytes]]
    ) -> None:
        self._head, self._first_lines, self._blocks = head, first_lines, blocks

    def set_aside(self, layout: Layout, gone: Flat, reason: str) -> pl.DataFrame:
        """Return entries as rows to be set aside."""
        holder = np.searchsorted(self._first_lines, gone.row, side="right") - 1
        asides = []
        for number, text in enumerate(self._blocks()):
            mine = np.flatnonzero(holder == number)
            if len(mine):
                head = _head_of(self._head, number)
                table = text_rows(text, head, self._first_lines[number], gone.row[mine])
                codes = np.full(len(mine), REASONS.index(reason), np.uint8)
                rows = np.arange(len(mine))
                asides.append(entries_aside(table, layout, rows, gone.tag[mine], codes))
        return pl.concat(asides)


def _shifted(flat: Flat, shifts: pl.DataFrame) -> tuple[Flat, Flat]:
    """Return entries in file order at the instants that a doubled hour gives them.

    Args:
        flat: all entries.
        shifts: of some of their rows by how much later they are, null where that is unclear.

    Returns the entries, and apart from them those that are unclear.
    """
    known = shifts.drop_nulls()
    row, shift_us = known["row"].to_numpy(), known["shift_us"].to_numpy()
    at = np.searchsorted(flat.row, row)
    # A row may have been set aside since, for its value.
    is_there = flat.row[np.minimum(at, len(flat.row) - 1)] == row if len(flat.row) else row < 0
    time_us = flat.time_us.copy()
    time_us[at[is_there]] += shift_us[is_there]
    moved = replace(flat, time_us=time_us)
    unclear = np.isin(flat.row, shifts.filter(pl.col("shift_us").is_null())["row"].to_numpy())
    return moved.take(~unclear), moved.take(unclear)
