"""The tables of a day as files, and their JSON Schemas."""

from __future__ import annotations

from importlib.resources import files

import polars as pl

from rowcall.day_report import DayReport
from rowcall.guard import UNGUARDED, Guard
from rowcall_reports.tables.case_table import CASES, cases_frame
from rowcall_reports.tables.findings import FINDINGS, findings_frame
from rowcall_reports.tables.formats import to_flat_csv, to_json_lines, to_parquet
from rowcall_reports.tables.table_columns import Table
from rowcall_reports.tables.work_orders import WORK_ORDERS, work_orders_frame

TABLES = (FINDINGS, CASES, WORK_ORDERS)


def table_files(report: DayReport, guard: Guard = UNGUARDED) -> dict[str, bytes]:
    """Return the files of the day's tables by name; the same day gives the same bytes.

    Cases or work orders that fail cost themselves; nothing is written without the findings.
    """
    made = _all_forms(FINDINGS, findings_frame(report))
    made |= guard.run(
        "", "table cases", lambda: _all_forms(CASES, cases_frame(report)), lambda why: {}
    )
    return made | guard.run("", "table work-orders", lambda: _orders(report), lambda why: {})


def _all_forms(table: Table, frame: pl.DataFrame) -> dict[str, bytes]:
    return {
        f"{table.name}.jsonl": to_json_lines(frame).encode(),
        f"{table.name}.parquet": to_parquet(frame),
        f"{table.name}.csv": to_flat_csv(table, frame).encode(),
    }


def _orders(report: DayReport) -> dict[str, bytes]:
    text = to_flat_csv(WORK_ORDERS, work_orders_frame(report))
    return {f"{WORK_ORDERS.name}.csv": text.encode()}


def schema_text(name: str) -> str:
    """Return the JSON Schema of a line of a table."""
    path = files("rowcall_reports") / "tables" / "schemas" / f"{name}.json"
    return path.read_text(encoding="utf-8")
