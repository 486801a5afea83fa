"""Reading an export that fits in memory."""

from __future__ import annotations

import io
from contextlib import closing
from dataclasses import replace
from functools import partial
from zoneinfo import ZoneInfo

from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.cells.timestamps import Bounds, settle_order
from rowcall.take_in.files.content import Content
from rowcall.take_in.files.sources import Piece
from rowcall.take_in.files.unpack import Unpacked, is_packed
from rowcall.take_in.load.assemble import Assembled, assemble
from rowcall.take_in.load.pieced import assemble_pieces
from rowcall.take_in.read.beginning import begin_text, text_blocks
from rowcall.take_in.read.cell_table import Table
from rowcall.take_in.read.opening import open_parquet
from rowcall.take_in.read.parquet_footer import memory_bytes, open_checked
from rowcall.take_in.read.text_tables import text_tables
from rowcall.take_in.sniff.encoding import whole_text
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.text_head import text_head


def assemble_whole(
    piece: Piece, content: Content, pins: TakeIn, zone: ZoneInfo, bounds: Bounds, most: int
) -> Assembled | None:
    """Return the samples of an export, None where it turns out to be too large for memory.

    Args:
        content: its content; reading may have begun with it.
        most: how many bytes of content are held in memory.

    Raises:
        ExportError: the file cannot be read; names the place and the remedy.
    """
    if piece.is_parquet:
        raw = content.whole()
        if memory_bytes(open_checked(piece.name, io.BytesIO(raw), len(raw), pins)) > most:
            return None
        opened = open_parquet(piece.name, raw, pins)
        return _assembled(piece.name, opened.table, opened.layout, pins, zone, bounds)
    begun, content.begun = content.begun or begin_text(piece.name, content, pins), None
    if begun is not None:
        again = partial(text_blocks, content)
        with closing(begun):
            assembled = assemble_pieces(
                piece.name, begun, content.pool, again, zone, bounds, pins.decimal
            )
        if assembled is not None:
            return assembled
    data = _unpacked(piece, content.whole(), pins, most)
    if data is None:
        return None
    table, layout = _text_table(piece.name, whole_text(piece.name, data, pins), pins)
    return _assembled(piece.name, table, layout, pins, zone, bounds)


def _assembled(
    file: str, table: Table, layout: Layout, pins: TakeIn, zone: ZoneInfo, bounds: Bounds
) -> Assembled:
    place = f"{file}, column {shown(table.names[layout.time])}"
    form = settle_order(layout.time_cells(table.frame), layout.form, place)
    return assemble(file, table, replace(layout, form=form, bounds=bounds), zone, pins.decimal)


def _unpacked(piece: Piece, raw: bytes, pins: TakeIn, most: int) -> bytes | None:
    if not is_packed(raw[:4]):
        return raw
    with Unpacked(piece.name, io.BytesIO(raw), len(raw), pins.largest_unpacked) as stream:
        data = stream.read(most + 1)
    return data if len(data) <= most else None


def _text_table(file: str, text: bytes, pins: TakeIn) -> tuple[Table, Layout]:
    head, layout = text_head(file, text, pins)
    return next(text_tables(file, [text], head, layout.time)), layout
