"""Opening an export: its cells, and what its columns are."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rowcall.site import TakeIn
from rowcall.take_in.csv_table import read_lines
from rowcall.take_in.folder import is_parquet
from rowcall.take_in.head import read_head
from rowcall.take_in.layout import Layout, find_layout
from rowcall.take_in.parquet_table import read_parquet, sample_rows
from rowcall.take_in.table import Table
from rowcall.take_in.text import utf8_text


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
    file = path.name
    if is_parquet(path):
        table = read_parquet(file, raw)
        return Opened(table, find_layout(file, table.names, sample_rows(table), pins), ())
    text = utf8_text(path, raw)
    head = read_head(file, text, pins)
    layout = find_layout(file, head.names, head.sample, pins)
    return Opened(read_lines(file, text, head), layout, head.units)
