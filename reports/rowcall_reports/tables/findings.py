"""The findings of a day for machines: one table, as JSON lines and as Parquet."""

from __future__ import annotations

import io
import json
import math
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

import polars as pl

from rowcall.day_report import DayReport
from rowcall.model import Finding, Quantity
from rowcall_reports.actions import since

_UTC = pl.Datetime("us", "UTC")
_VALUES = pl.List(pl.Struct({"name": pl.String, "value": pl.Float64, "unit": pl.String}))


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the findings: its name, type and meaning."""

    name: str
    dtype: Any  # a polars data type, class or instance
    meaning: str


SCHEMA: tuple[Column, ...] = (
    Column("date", pl.Date, "plant-local day that was judged"),
    Column("baghouse", pl.String, "id of the baghouse in the site file"),
    Column("compartment", pl.Int64, "compartment, from 1; null means the whole baghouse"),
    Column("row", pl.Int64, "row, from 1; null means all rows, or that only the place is known"),
    Column("place", pl.Int64, "place in the pulse sequence, from 1, where the row is not known"),
    Column("rule", pl.String, "name of the rule"),
    Column("verdict", pl.String, "found, clear or cannot tell"),
    Column("urgency", pl.String, "now, next outage or watch; null unless found"),
    Column("since", pl.Date, "first day of its case; null unless found"),
    Column("case", pl.String, "id of its case, the same on all its days; null unless found"),
    Column("start", _UTC, "begin of what was seen, UTC; null where not bounded"),
    Column("end", _UTC, "end of what was seen, UTC; null where not bounded"),
    Column("values", _VALUES, "supporting numbers: name, value, UCUM unit"),
    Column("text", pl.String, "why, in plain words"),
    Column("action", pl.String, "what to do; empty unless found"),
)


def findings_frame(report: DayReport) -> pl.DataFrame:
    """Return every answer of the day, one a line, sorted by place and rule."""
    rows = [_row(report, found) for found in report.findings]
    schema = {column.name: column.dtype for column in SCHEMA}
    order = ["baghouse", "compartment", "row", "place", "rule", "verdict", "start", "text"]
    return pl.DataFrame(rows, schema=schema, orient="row").sort(order, nulls_last=False)


def _row(report: DayReport, found: Finding) -> tuple[object, ...]:
    answer, number = found.answer, found.answer.subject.row or None
    is_place, case = answer.subject.is_place, report.case_of(found)
    urgency = answer.urgency.value if answer.urgency else None
    return (
        found.day,
        answer.subject.baghouse,
        answer.subject.compartment or None,
        None if is_place else number,
        number if is_place else None,
        found.rule,
        answer.verdict.value,
        urgency,
        since(report, found) if urgency else None,
        case.id if case else None,
        answer.start,
        answer.end,
        [_quantity(value) for value in answer.values],
        answer.text,
        answer.action,
    )


def _quantity(quantity: Quantity) -> dict[str, object]:
    """JSON knows neither nan nor infinity; both files carry null instead, so that they agree."""
    value = float(quantity.value)
    return {
        "name": quantity.name,
        "value": value if math.isfinite(value) else None,
        "unit": quantity.unit,
    }


def to_json_lines(frame: pl.DataFrame) -> str:
    """Return the findings as JSON lines (UTF-8 text, times in RFC 3339, UTC)."""
    lines = [json.dumps(row, ensure_ascii=False, default=_time) for row in frame.to_dicts()]
    return "".join(line + "\n" for line in lines)


def _time(value: object) -> str:
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    raise TypeError(f"{type(value).__name__} has no place in the findings")


def to_parquet(frame: pl.DataFrame) -> bytes:
    """Return the findings as a Parquet file."""
    out = io.BytesIO()
    frame.write_parquet(out, compression="zstd", statistics=False)
    return out.getvalue()
