"""Beginning to read a text export, before what works with its numbers is loaded.

Nothing here may need numpy: loading it goes on beside the reading.
"""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass

from rowcall.site import TakeIn
from rowcall.store import Store
from rowcall.store.ledger import has_size
from rowcall.take_in.content import Content
from rowcall.take_in.head import Head
from rowcall.take_in.layout import Layout
from rowcall.take_in.packing import is_packed
from rowcall.take_in.pieces import Piece
from rowcall.take_in.text import whole_text
from rowcall.take_in.text_head import text_head
from rowcall.take_in.typed_scan import Scan, typed_scan


@dataclass(frozen=True, slots=True)
class BegunText:
    """A text export whose writing is known; `scan` is None for the road over text."""

    text: bytes
    head: Head
    layout: Layout
    scan: Scan | None


def begin_text(file: str, data: bytes, pins: TakeIn, pool: Executor | None = None) -> BegunText:
    """Find out how a text export is written; with a pool, begin to read it there.

    Raises:
        ExportError: it cannot be read; names the place and the remedy.
    """
    text = whole_text(file, data, pins)
    head, layout = text_head(file, text, pins)
    scan = typed_scan(text, head, layout, pins.decimal)
    if scan is not None and pool is not None:
        scan = pool.submit(scan).result
    return BegunText(text, head, layout, scan)


def begin_new(store: Store, piece: Piece, content: Content, pins: TakeIn, pool: Executor) -> None:
    """Begin to read a text export, unless it is packed or may have been taken in before.

    Raises:
        ExportError: it cannot be read; names the place and the remedy.
    """
    if piece.is_parquet or is_packed(content.raw[:4]) or has_size(store, len(content.raw)):
        return
    content.begun = begin_text(piece.name, content.raw, pins, pool)
