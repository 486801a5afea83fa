"""An export opened: how it is written, what its columns are, and its rows block by block.

Nothing here may need numpy at the top: loading it goes on beside the first cutting.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from concurrent.futures import Executor
from contextlib import closing
from itertools import chain
from typing import TypeAlias

import polars as pl

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.files.background import Arriving
from rowcall.take_in.files.sources import Source, reading
from rowcall.take_in.files.unpack import Unpacked
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.read.cell_table import Table
from rowcall.take_in.read.cutting import Cut, cut
from rowcall.take_in.read.parquet import parquet_tables, sample_rows
from rowcall.take_in.read.parquet_footer import check_columns
from rowcall.take_in.read.parsing import form_of
from rowcall.take_in.sniff.damaged_bytes import ZERO_MARK
from rowcall.take_in.sniff.encoding import (
    NotUtf8Error,
    line_blocks,
    other_writing,
    writing_of_begin,
)
from rowcall.take_in.sniff.layout import Layout, find_layout
from rowcall.take_in.sniff.preamble import read_head

_PARQUET = b"PAR1"  # how every Parquet file begins, whatever its name
_MAX_WAITING = 1  # blocks that lie ready at each step; more would only fill memory. Chosen.


def open_export(source: Source, overrides: TakeIn, memory: Memory, pool: Executor) -> Opened:
    """Open an export, and begin to cut it where it is text.

    Args:
        pool: at least two threads, which read and cut beside.

    Raises:
        ExportError: it cannot be read; names the place and the remedy.
    """
    with reading(source), closing(source.open()) as stream:
        is_parquet = source.is_parquet or stream.read(len(_PARQUET)) == _PARQUET
    kind = ParquetExport if is_parquet else TextExport
    return kind(source, overrides, memory, pool)


class TextExport:
    """An export of text, read and cut block by block in threads of a pool.

    Attributes:
        names: its columns.
        layout: what they are, and how their cells are read as far as its beginning shows.
        units: the units line, one text a column; nothing without one.
    """

    def __init__(self, source: Source, overrides: TakeIn, memory: Memory, pool: Executor) -> None:
        self.source = source
        self._overrides, self._memory, self._pool = overrides, memory, pool
        self._begun: Arriving[Cut] | None = None
        with reading(source), closing(self._unpacked()) as stream:
            begin, self.is_packed = b"", stream.is_packed
            size = overrides.largest_line + 1
            while len(begin) < size and (block := stream.read(size - len(begin))):
                begin += block
        self._begin = begin
        self.writing = writing_of_begin(source.name, begin, overrides.encoding)
        try:
            self._read_head()
        except NotUtf8Error:
            self.rewrite()
        self._begun = self._cutting()

    def tables(self) -> Iterator[Table]:
        """Return the rows from the first one on, a table a block of text.

        Raises:
            ExportError: it cannot be read; names the place and the remedy.
            NotUtf8Error: it is not written as its beginning shows.
        """
        from rowcall.take_in.read.text_tables import text_tables

        cuts, self._begun = self._begun or self._cutting(), None
        try:
            tag = self.layout.tag if len(self.names) - 1 in self.layout.values else None
            yield from text_tables(cuts, self.head, self.layout.time, tag)
        finally:
            cuts.leave()

    def rewrite(self) -> None:
        """Find out by all of it how it is written, after a `NotUtf8Error`; raises as `tables`."""
        with closing(self._blocks()) as blocks:
            self.writing = other_writing(self.source.name, blocks, self.writing)
        self._read_head()

    def close(self) -> None:
        """Read no further."""
        if self._begun is not None:
            self._begun.leave()

    def _read_head(self) -> None:
        longest = self._overrides.largest_line
        blocks = line_blocks(self.source.name, (self._begin,), self.writing, longest)
        text = next(blocks, b"")
        if len(self._begin) <= longest:  # all of it, of which the last line may have no end
            text += b"".join(blocks)
        try:
            self._understand(text)
        except ExportError as error:
            at = text.find(ZERO_MARK.encode())
            if at < 0:
                raise
            line = text.count(b"\n", 0, at) + 1
            raise ExportError(
                f"{self.source.name}: this is not text (a zero byte in line {line}); export it as "
                "CSV or Parquet."
            ) from error

    def _understand(self, text: bytes) -> None:
        self.head = read_head(self.source.name, text, self._overrides)
        self.names, self.units = self.head.names, self.head.units
        check_columns(self.source.name, len(self.names), self._overrides)
        self.layout = find_layout(self.source.name, self.names, self.head.sample, self._overrides)

    def _cutting(self) -> Arriving[Cut]:
        return Arriving(self._pool, self._cuts(), _MAX_WAITING)

    def _cuts(self) -> Generator[Cut]:
        longest, data_line = self._overrides.largest_line, self.head.data_line
        form = form_of(self.source.name, self.head, self.layout)
        lines = line_blocks(self.source.name, self._blocks(), self.writing, longest)
        texts = Arriving(self._pool, lines, _MAX_WAITING)
        try:
            blocks = iter(texts)
            first = next(blocks, b"")
            while first.count(b"\n") < data_line and (more := next(blocks, b"")):
                first += more
            for text in chain((first,), blocks):
                yield cut(text, form, data_line)
                data_line = 1
                del text
        finally:
            texts.leave()

    def _blocks(self) -> Generator[bytes]:
        with reading(self.source), closing(self._unpacked()) as stream:
            while block := stream.read(self._memory.block_bytes):
                yield block

    def _unpacked(self) -> Unpacked:
        source = self.source
        limit = self._overrides.largest_unpacked
        return Unpacked(source.name, source.open(), source.packed_bytes, limit)


class ParquetExport:
    """An export in Parquet, read batch by batch; attributes as of a text."""

    units: tuple[str, ...] = ()

    def __init__(self, source: Source, overrides: TakeIn, memory: Memory, pool: Executor) -> None:
        self.source, self._overrides, self._memory = source, overrides, memory
        self._first: Iterator[Table] | None = self._tables()
        table = next(self._first)
        self._first = chain((table,), self._first)
        self.names = table.names
        self.layout = _layout_of_table(source.name, table, overrides)

    def tables(self) -> Iterator[Table]:
        """Return the rows."""
        tables, self._first = self._first or self._tables(), None
        return tables

    def rewrite(self) -> None:
        """Do nothing: Parquet says how it is written."""

    def close(self) -> None:
        """Let go of the rows read so far."""
        self._first = None

    def _tables(self) -> Iterator[Table]:
        with reading(self.source), self.source.open() as stream:
            yield from parquet_tables(self.source, stream, self._overrides, self._memory)


Opened: TypeAlias = TextExport | ParquetExport


def _layout_of_table(file: str, table: Table, overrides: TakeIn) -> Layout:
    """Return the layout of a Parquet export, of which `table` is the beginning at least."""
    typed = [
        place
        for place, kind in enumerate(table.frame.dtypes)
        if isinstance(kind, pl.Datetime) or kind in (pl.Date, pl.Time)
    ]
    numbers = [place for place, kind in enumerate(table.frame.dtypes) if kind.is_numeric()]
    return find_layout(file, table.names, sample_rows(table), overrides, typed, numbers)
