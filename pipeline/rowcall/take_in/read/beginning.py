"""Beginning to read a text export, before what works with its numbers is loaded.

Nothing here may need numpy: loading it goes on beside the reading.
"""

from __future__ import annotations

import codecs
from collections.abc import Generator
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import replace

import polars as pl

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.store import Store
from rowcall.store.ledger import has_size
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.cells.timestamps import DATE_CELL, settle_order
from rowcall.take_in.files.background import Arriving
from rowcall.take_in.files.content import Content
from rowcall.take_in.files.sources import Piece
from rowcall.take_in.files.unpack import is_packed
from rowcall.take_in.read.begun_text import BegunText, Scanned
from rowcall.take_in.read.cell_table import column
from rowcall.take_in.read.parsing import data_bounds, parse
from rowcall.take_in.read.typed_scan import TypedScan, is_plain, typed_scan
from rowcall.take_in.sniff.encoding import UTF8, check_lines
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.preamble import Head
from rowcall.take_in.sniff.text_head import text_head

_BEGIN_BYTES = 4_096  # that are not blank where a text has anything to say
_MOST_SCANNED = 6  # blocks that wait for what works with numbers to be loaded


class NotPlainError(Exception):
    """Something in a text calls for the road that looks at the whole of it."""


def begin_text(
    file: str, content: Content, pins: TakeIn, pool: Executor | None = None
) -> BegunText | None:
    """Find out how a text export is written; with a pool, begin to read it there.

    Returns None where only the whole of it tells, which is also where its refusal is put into
    words.

    Raises:
        ExportError: it cannot be read.
    """
    first = content.first()
    is_blank = not first[:_BEGIN_BYTES].strip()
    if is_blank or is_packed(first[:4]) or b"\n" not in first or not _is_clean(first, pins):
        return None
    head, layout = text_head(file, first.removeprefix(codecs.BOM_UTF8), pins)
    try:
        if layout.form.order_open:
            place = f"{file}, column {shown(head.names[layout.time])}"
            form = settle_order(_dates(content, head, layout, pins), layout.form, place)
            layout = replace(layout, form=form)
    except NotPlainError:
        return None
    scan = typed_scan(head, layout, pins.decimal)
    if scan is None:
        return None
    scanned = _scanned(content, scan, head, pins)
    to_take = scanned if pool is None else Arriving(pool, scanned, _MOST_SCANNED)
    return BegunText(head, layout, to_take)


def begin_new(store: Store, piece: Piece, content: Content, pins: TakeIn, pool: Executor) -> None:
    """Begin to read a text export, unless it may have been taken in before.

    Raises:
        ExportError: it cannot be read; names the place and the remedy.
    """
    if not piece.is_parquet and not has_size(store, piece.size_bytes):
        content.begun = begin_text(piece.name, content, pins, pool)


def text_blocks(content: Content) -> Generator[bytes]:
    """Return the blocks of a text without the mark that it may begin with."""
    with closing(content.blocks()) as blocks:
        for number, block in enumerate(blocks):
            yield block if number else block.removeprefix(codecs.BOM_UTF8)


def _dates(content: Content, head: Head, layout: Layout, pins: TakeIn) -> pl.Series:
    """Return the different dates of a text, but the first as it stands there.

    Raises:
        NotPlainError: the text cannot be cut into lines without looking at all of it.
    """
    found = [pl.Series([row[layout.time] for row in head.sample[:1]], dtype=pl.String)]
    for text, skip in _plain_blocks(content, head, pins):
        width, place = len(head.names), column(layout.time)
        frame = parse(text, head.delimiter, width, skip, ragged=True, wanted=[pl.col(place)])
        if frame is None:
            raise NotPlainError
        dates = frame.to_series().str.strip_chars_start().str.head(DATE_CELL)
        found.append(dates.unique(maintain_order=True).rename(found[0].name))
    return pl.concat(found)


def _scanned(content: Content, scan: TypedScan, head: Head, pins: TakeIn) -> Generator[Scanned]:
    for text, skip in _plain_blocks(content, head, pins):
        frame = scan(text, skip)
        if frame is None:
            raise NotPlainError
        yield text, frame


def _plain_blocks(content: Content, head: Head, pins: TakeIn) -> Generator[tuple[bytes, int]]:
    """Return the blocks of a text, each with the number of lines above its data.

    Raises:
        NotPlainError: one of them takes more than cutting it.
    """
    skip = head.data_line - 1
    with closing(text_blocks(content)) as blocks:
        for text in blocks:
            start, _ = data_bounds(text, skip + 1)
            if not (_is_clean(text, pins) and is_plain(text, start)):
                raise NotPlainError
            yield text, skip
            skip = 0


def _is_clean(text: bytes, pins: TakeIn) -> bool:
    """True for text that can be read as it lies on disk, whatever else its export holds."""
    if pins.encoding not in (None, UTF8) or b"\0" in text:
        return False
    try:
        if not text.isascii():
            text.decode(UTF8)
        check_lines("", text, pins.largest_line, 1)
    except (UnicodeDecodeError, ExportError):
        return False
    return True
