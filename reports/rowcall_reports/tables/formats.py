"""A table as JSON Lines, Parquet and CSV: the same lines in each."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from datetime import UTC, date, datetime

import polars as pl

from rowcall.csv_text import to_csv
from rowcall_reports.tables.table_columns import Column, Kind, Table


def to_json_lines(frame: pl.DataFrame) -> str:
    """Return a table as JSON Lines (UTF-8 text, times in RFC 3339, UTC)."""
    lines = [json.dumps(row, ensure_ascii=False, default=_time) for row in frame.to_dicts()]
    return "".join(line + "\n" for line in lines)


def _time(value: object) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no place in a table")


def to_parquet(frame: pl.DataFrame) -> bytes:
    """Return a table as a Parquet file."""
    out = io.BytesIO()
    frame.write_parquet(out, compression="zstd", statistics=False)
    return out.getvalue()


def to_flat_csv(table: Table, frame: pl.DataFrame) -> str:
    """Return a table as CSV: null is an empty cell, a list one text with `; ` between its items."""
    lines = (
        [_flat(*pair) for pair in zip(table.columns, row, strict=True)] for row in frame.rows()
    )
    return to_csv(frame.columns, lines)


def _flat(column: Column, value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, list):
        return "; ".join(_item(column, one) for one in value)
    if isinstance(value, bool):
        return str(value).lower()
    return _time(value) if isinstance(value, date) else str(value)


def _item(column: Column, value: object) -> str:
    if isinstance(column.kind, Kind):
        return str(value)
    assert isinstance(value, Mapping)
    return column.flat.format_map({one.name: _flat(one, value[one.name]) for one in column.kind})
