"""Opening an export: its cells, and what its columns are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import polars as pl

from rowcall.site import TakeIn
from rowcall.take_in.files.inbox import is_parquet
from rowcall.take_in.read.cell_table import Table
from rowcall.take_in.read.parquet import read_parquet, sample_rows
from rowcall.take_in.read.text_tables import text_tables
from rowcall.take_in.sniff.encoding import utf8_text
from rowcall.take_in.sniff.layout import Layout, find_layout
from rowcall.take_in.sniff.text_head import text_head


@dataclass(frozen=True, slots=True)
class Opened:
    """An export's cells and layout; `units` holds its units line, one text a column, or nothing."""

    table: Table
    layout: Layout
    units: tuple[str, ...]


def open_export(path: Path, raw: bytes, pins: TakeIn) -> Opened:
    """Open the content `raw` of an export file.

    Raises:
        ExportError: the file cannot be read; names the place and the remedy.
    """
    if is_parquet(path):
        return open_parquet(path.name, raw, pins)
    return open_text(path.name, utf8_text(path, raw, pins), pins)


def open_parquet(file: str, raw: bytes, pins: TakeIn) -> Opened:
    """Open the content of a Parquet export; raises as `open_export`."""
    table = read_parquet(file, raw, pins)
    return Opened(table, layout_of_table(file, table, pins), ())


def open_text(file: str, text: bytes, pins: TakeIn) -> Opened:
    """Open a text export, as `utf8_text` returns it; raises as `open_export`."""
    head, layout = text_head(file, text, pins)
    table = next(text_tables(file, [text], head, layout.time))
    return Opened(table, layout, head.units)


def layout_of_table(file: str, table: Table, pins: TakeIn) -> Layout:
    """Return the layout of a Parquet export, of which `table` is the beginning at least."""
    typed = [
        place
        for place, kind in enumerate(table.frame.dtypes)
        if isinstance(kind, pl.Datetime) or kind in (pl.Date, pl.Time)
    ]
    numbers = [place for place, kind in enumerate(table.frame.dtypes) if kind.is_numeric()]
    return find_layout(file, table.names, sample_rows(table), pins, typed, numbers)
