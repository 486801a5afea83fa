"""Reading an export that fits in memory."""

from __future__ import annotations

import io
from dataclasses import replace
from zoneinfo import ZoneInfo

from rowcall.site import TakeIn
from rowcall.take_in.assemble import Assembled, assemble
from rowcall.take_in.beginning import BegunText, begin_text
from rowcall.take_in.opening import open_parquet
from rowcall.take_in.packing import Unpacked, is_packed
from rowcall.take_in.parquet_footer import memory_bytes, open_checked
from rowcall.take_in.pieces import Piece
from rowcall.take_in.pins import shown
from rowcall.take_in.table import Table
from rowcall.take_in.text_tables import text_tables
from rowcall.take_in.times import Bounds, settle_order
from rowcall.take_in.typed_lines import read_typed


def assemble_whole(
    piece: Piece,
    raw: bytes,
    begun: BegunText | None,
    pins: TakeIn,
    zone: ZoneInfo,
    bounds: Bounds,
    most: int,
) -> Assembled | None:
    """Return the samples of an export, None where it turns out to be too large for memory.

    Args:
        raw: its content as it lies on disk.
        begun: of a text export, where its reading was begun before.
        most: how many bytes of content are held in memory.

    Raises:
        ExportError: the file cannot be read; names the place and the remedy.
    """
    if piece.is_parquet:
        if memory_bytes(open_checked(piece.name, io.BytesIO(raw), len(raw), pins)) > most:
            return None
        opened = open_parquet(piece.name, raw, pins)
        table, layout = opened.table, opened.layout
    else:
        if begun is None:
            data = _unpacked(piece, raw, pins, most)
            if data is None:
                return None
            begun = begin_text(piece.name, data, pins)
        table, layout = _text_table(piece.name, begun, pins), begun.layout
    place = f"{piece.name}, column {shown(table.names[layout.time])}"
    form = settle_order(layout.time_cells(table.frame), layout.form, place)
    settled = replace(layout, form=form, bounds=bounds)
    return assemble(piece.name, table, settled, zone, pins.decimal)


def _unpacked(piece: Piece, raw: bytes, pins: TakeIn, most: int) -> bytes | None:
    if not is_packed(raw[:4]):
        return raw
    with Unpacked(piece.name, io.BytesIO(raw), len(raw), pins.largest_unpacked) as stream:
        data = stream.read(most + 1)
    return data if len(data) <= most else None


def _text_table(file: str, begun: BegunText, pins: TakeIn) -> Table:
    text, head, layout, scan = begun.text, begun.head, begun.layout, begun.scan
    table = None if scan is None else read_typed(file, text, head, layout, pins.decimal, scan)
    return table or next(text_tables(file, [text], head, layout.time))
