"""An export too large for memory as a row of tables, which can be gone through again and again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from rowcall.site import TakeIn
from rowcall.take_in.files.sources import Piece
from rowcall.take_in.files.unpack import Unpacked
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.read.cell_table import Table
from rowcall.take_in.read.opening import layout_of_table
from rowcall.take_in.read.parquet import parquet_tables
from rowcall.take_in.read.text_tables import text_tables
from rowcall.take_in.sniff.encoding import Writing, line_blocks, other_writing, stream_writing
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.text_head import text_head

_BLOCK_BYTES = 2**20

__all__ = ["Chunked", "Memory", "chunked_parquet", "chunked_text", "writing_of_piece"]


@dataclass(frozen=True, slots=True)
class Chunked:
    """An export's layout, and its tables from the first one on, however often they are asked for.

    Every table of the export has the same columns; line numbers run through.
    """

    layout: Layout
    tables: Callable[[], Iterator[Table]]


def chunked_parquet(piece: Piece, pins: TakeIn, memory: Memory) -> Chunked:
    """Open a Parquet export for reading batch by batch.

    Raises:
        ExportError: it cannot be read; also from the tables.
    """

    def tables() -> Iterator[Table]:
        rows = max(1, memory.slice_rows // 4)
        with piece.open() as stream:
            yield from parquet_tables(piece.name, stream, piece.size_bytes, pins, rows)

    return Chunked(layout_of_table(piece.name, next(tables()), pins), tables)


def writing_of_piece(piece: Piece, pins: TakeIn) -> Writing:
    """Tell how a text export is written down."""
    with _unpacked(piece, pins) as stream:
        return stream_writing(stream, pins.encoding, pins.largest_line)


def other_writing_of_piece(piece: Piece, supposed: Writing, pins: TakeIn) -> Writing:
    """Tell how a text export is written down that turned out not to be valid UTF-8.

    Raises:
        ExportError: it is UTF-8 neither plainly nor plainly not.
    """
    with _unpacked(piece, pins) as stream:
        return other_writing(piece.name, iter(lambda: stream.read(_BLOCK_BYTES), b""), supposed)


def chunked_text(piece: Piece, writing: Writing, pins: TakeIn, memory: Memory) -> Chunked:
    """Open a text export for reading block by block.

    Raises:
        ExportError: it cannot be read; also from the tables.
        NotUtf8Error: it is not written as supposed; also from the tables.
    """

    def blocks() -> Iterator[bytes]:
        with _unpacked(piece, pins) as stream:
            yield from line_blocks(
                piece.name, stream, writing, memory.block_bytes, pins.largest_line
            )

    first = next(blocks(), b"")
    head, layout = text_head(piece.name, first, pins)
    return Chunked(layout, lambda: text_tables(piece.name, blocks(), head, layout.time))


def _unpacked(piece: Piece, pins: TakeIn) -> Unpacked:
    return Unpacked(piece.name, piece.open(), piece.packed_bytes, pins.largest_unpacked)
