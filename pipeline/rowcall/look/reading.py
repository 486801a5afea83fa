"""Reading an export as take-in does, and keeping what was understood instead of the samples."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from rowcall.draft.tag_facts import units_of
from rowcall.errors import ExportError
from rowcall.look.tag_stats import Looked, asides, span, tag_looks
from rowcall.look.understanding import Understood, pins_of, sentences
from rowcall.site import TakeIn
from rowcall.take_in.cells.numbers import Cell, decimal_sign, values_of
from rowcall.take_in.cells.timestamps import Bounds, order_of, parse_times, settle_order
from rowcall.take_in.files.inbox import exports_at, name_within
from rowcall.take_in.files.sources import Piece, pieces_of
from rowcall.take_in.files.unpack import Unpacked, is_packed
from rowcall.take_in.load.assemble import assemble
from rowcall.take_in.read.cell_table import Table, column
from rowcall.take_in.read.opening import open_parquet, open_text
from rowcall.take_in.sniff.encoding import whole_text, writing_of_whole
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.preamble import read_head


def look_at(
    path: Path,
    pins: TakeIn,
    zone: ZoneInfo | None,
    now: datetime,
    refused: Callable[[ExportError], None] | None = None,
) -> Iterator[Looked]:
    """Return what is understood of an export, or of each one in an archive; stores nothing.

    Args:
        path: the file, or a folder or pattern of files.
        pins: what the site file says of exports.
        zone: the plant's zone; None where it is not known.
        now: the present instant (aware).
        refused: is told of each export that cannot be read, and the others go on; None: the first
            one is raised.

    Raises:
        ExportError: a file cannot be read; says what would settle it.
    """
    for file in exports_at(path):
        name = name_within(path, file) if path.is_dir() else file.name
        with _telling(refused):
            try:
                for piece in pieces_of(file, name, pins.largest_unpacked):
                    with _telling(refused):
                        yield _look(piece, pins, zone, now)
            except OSError as error:
                raise ExportError(
                    f"{file}: the file cannot be read ({error.strerror or error}); check its name."
                ) from error


@contextmanager
def _telling(refused: Callable[[ExportError], None] | None) -> Iterator[None]:
    try:
        yield
    except ExportError as error:
        if refused is None:
            raise
        refused(error)


def _look(piece: Piece, pins: TakeIn, zone: ZoneInfo | None, now: datetime) -> Looked:
    if piece.problem:
        raise ExportError(piece.problem)
    with piece.open() as stream:
        raw = stream.read()
    understood = _understood(piece, raw, pins, zone)
    layout, table = understood.opened.layout, understood.opened.table
    layout = replace(layout, bounds=Bounds.of(pins.earliest, now, pins.future_tolerance))
    assembled = assemble(piece.name, table, layout, zone or ZoneInfo("UTC"), understood.decimal)
    first, last = span(assembled.batch)
    return Looked(
        name=piece.name,
        written=tuple(sentences(understood)),
        zone=zone if not understood.is_utc else ZoneInfo("UTC"),
        rows_read=assembled.rows_read,
        samples=len(assembled.batch),
        first=first,
        last=last,
        jump_lines=tuple(assembled.jump_lines.tolist()),
        tags=tag_looks(assembled.batch, units_of(understood.opened)),
        aside=asides(assembled.set_aside),
        status_words=_status_words(piece.name, understood),
        pins=tuple(pins_of(understood, pins)),
    )


def _understood(piece: Piece, raw: bytes, pins: TakeIn, zone: ZoneInfo | None) -> Understood:
    """Read how the export is written, and settle what only the whole of it tells."""
    head, text, encoding = None, b"", ""
    if piece.is_parquet:
        opened = open_parquet(piece.name, raw, pins)
    else:
        with Unpacked(piece.name, io.BytesIO(raw), len(raw), pins.largest_unpacked) as stream:
            data = stream.read(pins.largest_unpacked + 1)
        text = whole_text(piece.name, data, pins)
        encoding = _encoding(piece.name, data, pins)
        opened = open_text(piece.name, text, pins)
        head = read_head(piece.name, text, pins)
    layout, table = opened.layout, opened.table
    times = layout.time_cells(table.frame)
    place = f"{piece.name}, column {table.names[layout.time]!r}"
    order = order_of(times, layout.form, place) if layout.form.order_open else None
    form = settle_order(times, layout.form, place)
    values = [table.frame[column(number)] for number in layout.values]
    return Understood(
        opened=replace(opened, layout=replace(layout, form=form)),
        head=head,
        container=_container(piece, raw),
        encoding=encoding,
        decimal=pins.decimal or decimal_sign(values, piece.name),
        is_typed=isinstance(times.dtype, pl.Datetime),
        is_utc=parse_times(times.head(100), form).is_utc,
        order=order,
        zone=zone,
        qualities=_qualities(table, layout),
    )


def _container(piece: Piece, raw: bytes) -> str:
    if piece.is_parquet:
        return "Parquet"
    return "packed text" if is_packed(raw[:4]) else "text"


def _encoding(file: str, data: bytes, pins: TakeIn) -> str:
    encoding = writing_of_whole(file, data, pins.encoding).encoding
    return "utf-16" if encoding.startswith("utf-16") else encoding


def _qualities(table: Table, layout: Layout) -> tuple[tuple[str, int], ...]:
    """Return the different texts of the quality columns and how often each occurs."""
    counts: Counter[str] = Counter()
    for place in layout.quality.values():
        texts = table.frame[column(place)].cast(pl.String).fill_null("").str.strip_chars()
        counts.update(dict(texts.value_counts().iter_rows()))
    return _ranked(counts)


def _ranked(counts: Counter[str]) -> tuple[tuple[str, int], ...]:
    return tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0])))


def _status_words(file: str, understood: Understood) -> tuple[tuple[str, int], ...]:
    """Return the words in the place of values, and how often each occurs."""
    table, layout = understood.opened.table, understood.opened.layout
    columns = [table.frame[column(place)] for place in layout.values]
    counts: Counter[str] = Counter()
    read = values_of(columns, understood.decimal, file, layout.bad_values)
    for cells, values in zip(columns, read, strict=True):
        words = cells.filter(pl.Series(values.kind == Cell.WORD)).cast(pl.String)
        counts.update(dict(words.str.strip_chars().value_counts().iter_rows()))
    return _ranked(counts)
