"""Reading an export that fits in memory."""

from __future__ import annotations

import io
from dataclasses import replace
from zoneinfo import ZoneInfo

from rowcall.site import TakeIn
from rowcall.take_in.assemble import Assembled, assemble
from rowcall.take_in.opening import open_parquet, text_head
from rowcall.take_in.packing import Unpacked, is_packed
from rowcall.take_in.parquet_footer import memory_bytes, open_checked
from rowcall.take_in.pieces import Piece
from rowcall.take_in.pins import shown
from rowcall.take_in.text import whole_text
from rowcall.take_in.text_tables import text_tables
from rowcall.take_in.times import Bounds, settle_order
from rowcall.take_in.typed_lines import read_typed


def assemble_whole(
    piece: Piece, raw: bytes, pins: TakeIn, zone: ZoneInfo, bounds: Bounds, most: int
) -> Assembled | None:
    """Return the samples of an export, None where it turns out to be too large for memory.

    Raises:
        ExportError: the file cannot be read; names the place and the remedy.
    """
    if piece.is_parquet:
        if memory_bytes(open_checked(piece.name, io.BytesIO(raw), len(raw), pins)) > most:
            return None
        opened = open_parquet(piece.name, raw, pins)
        table, layout = opened.table, opened.layout
    else:
        data = raw
        if is_packed(raw[:4]):
            with Unpacked(piece.name, io.BytesIO(raw), len(raw), pins.largest_unpacked) as stream:
                data = stream.read(most + 1)
            if len(data) > most:
                return None
        text = whole_text(piece.name, data, pins)
        head, layout = text_head(piece.name, text, pins)
        table = read_typed(piece.name, text, head, layout, pins.decimal) or next(
            text_tables(piece.name, [text], head, layout.time)
        )
    place = f"{piece.name}, column {shown(table.names[layout.time])}"
    form = settle_order(layout.time_cells(table.frame), layout.form, place)
    settled = replace(layout, form=form, bounds=bounds)
    return assemble(piece.name, table, settled, zone, pins.decimal)
