"""The findings files: documented columns, and both files say the same."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import polars as pl
from helpers import report_days

from rowcall_reports.tables.findings import FINDINGS, findings_frame
from rowcall_reports.tables.formats import to_json_lines, to_parquet


def test_columns_are_as_documented() -> None:
    frame = findings_frame(report_days.report())
    assert dict(frame.schema) == {column.name: column.dtype for column in FINDINGS.columns}
    assert all(column.meaning for column in FINDINGS.columns)


def test_both_files_hold_the_same() -> None:
    frame = findings_frame(report_days.report())
    from_parquet = pl.read_parquet(io.BytesIO(to_parquet(frame)))
    assert from_parquet.equals(frame)
    text = to_json_lines(frame)
    as_text = {"date": pl.String, "since": pl.String, "start": pl.String, "end": pl.String}
    loose = {column.name: as_text.get(column.name, column.dtype) for column in FINDINGS.columns}
    from_json = pl.read_ndjson(io.StringIO(text), schema=loose).with_columns(
        pl.col("date", "since").str.to_date(),
        pl.col("start", "end").str.to_datetime(time_unit="us", time_zone="UTC"),
    )
    assert from_json.equals(frame)


def test_missing_numbers_are_null_and_zero_means_all() -> None:
    lines = [json.loads(line) for line in to_json_lines(_frame()).splitlines()]
    whole = next(line for line in lines if line["rule"] == "rising_residual_dp")
    assert whole["compartment"] is None
    assert whole["row"] is None
    assert whole["values"][1] == {"name": "ratio", "value": None, "unit": "1"}
    assert whole["since"] == "2026-11-10"
    assert whole["case"] == report_days.report().cases[0].id
    assert whole["start"] == "2026-11-24T01:00:00Z"
    clear = next(line for line in lines if line["verdict"] == "clear")
    assert clear["urgency"] is None
    assert clear["since"] is None
    assert clear["case"] is None


def test_foreign_text_is_kept_plain() -> None:
    report = report_days.report()
    first = report.findings[0]
    odd = replace(first, answer=replace(first.answer, text="a|b<script>\n=1+1"))
    frame = findings_frame(replace(report, findings=(odd,)))
    assert frame["text"].to_list() == ["a|b<script>\n=1+1"]
    assert to_json_lines(frame).count("\n") == 1


def test_same_day_gives_same_bytes() -> None:
    assert to_json_lines(_frame()) == to_json_lines(_frame())
    assert to_parquet(_frame()) == to_parquet(_frame())
    report = report_days.report()
    turned = findings_frame(replace(report, findings=report.findings[::-1]))
    assert turned.equals(_frame())


def test_no_finding_is_an_empty_table() -> None:
    frame = findings_frame(replace(report_days.report(), findings=()))
    assert frame.height == 0
    assert to_json_lines(frame) == ""
    assert pl.read_parquet(io.BytesIO(to_parquet(frame))).schema == frame.schema


def _frame() -> pl.DataFrame:
    return findings_frame(report_days.report())
