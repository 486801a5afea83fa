"""The tables for other systems: each line fits the published schema, and all files say the same."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from helpers import report_days
from helpers.stop_cases import COIL, WORN, case, full_stop, renewed
from jsonschema import Draft202012Validator, FormatChecker

from rowcall.cli import main
from rowcall.csv_text import text_of
from rowcall.day_report import DayReport
from rowcall.guard import Guard
from rowcall.model import ISOLATED, Check, Explained, Subject, Urgency, Work
from rowcall.site import Role, Tag
from rowcall_reports.outage.stop import COIL as COIL_PART
from rowcall_reports.tables import day_files
from rowcall_reports.tables.case_table import CASES, cases_frame
from rowcall_reports.tables.day_files import schema_text, table_files
from rowcall_reports.tables.findings import FINDINGS, findings_frame
from rowcall_reports.tables.formats import to_flat_csv
from rowcall_reports.tables.work_orders import WORK_ORDERS, work_orders_frame

TABLES = {"findings": (FINDINGS, findings_frame), "cases": (CASES, cases_frame)}


def full_report() -> DayReport:
    """Return a judged day with every field of its cases filled somewhere."""
    report = report_days.report()
    found = report.findings[0]
    filled = case(
        "valve",
        1,
        5,
        COIL,
        repairs=(renewed(Work.DIAPHRAGMS_RENEWED, Check.WAITING),),
        explains=(Explained(found, 0.4, "accounts for it"),),
        history=report.cases[0].history,
        news=tuple(event.news for event in report.cases[0].history),
    )
    return replace(report, cases=(*full_stop().cases, *report.cases, filled))


def read(table: str | bytes) -> list[dict[str, str]]:
    text = table.decode() if isinstance(table, bytes) else table
    return list(csv.DictReader(io.StringIO(text, newline="")))


@pytest.mark.parametrize("name", TABLES)
def test_every_line_fits_the_published_schema(name: str) -> None:
    schema = json.loads(schema_text(name))
    Draft202012Validator.check_schema(schema)
    check = Draft202012Validator(schema, format_checker=FormatChecker())
    for report in (report_days.sample(), full_report(), report_days.empty_report()):
        lines = table_files(report)[f"{name}.jsonl"].decode().splitlines()
        for line in lines:
            check.validate(json.loads(line))
    odd = json.loads(table_files(full_report())[f"{name}.jsonl"].splitlines()[0])
    assert not check.is_valid({**odd, "row": "7"})
    assert not check.is_valid({**odd, "date": "24.11.2026"})
    assert not check.is_valid({**odd, "more": 1})


@pytest.mark.parametrize("name", TABLES)
def test_the_schema_kept_is_that_of_the_columns(name: str) -> None:
    """Write it anew with: PYTHONPATH=tests python -m reports.test_tables"""
    assert schema_text(name) == json.dumps(TABLES[name][0].schema(), indent=2) + "\n"


@pytest.mark.parametrize("name", TABLES)
def test_all_files_of_a_table_say_the_same(name: str) -> None:
    table, make = TABLES[name]
    frame, made = make(full_report()), table_files(full_report())
    assert dict(frame.schema) == table.dtypes
    assert frame.height > 3
    assert pl.read_parquet(io.BytesIO(made[f"{name}.parquet"])).equals(frame)
    lines = [json.loads(line) for line in made[f"{name}.jsonl"].decode().splitlines()]
    for flat, line in zip(read(made[f"{name}.csv"]), lines, strict=True):
        assert list(flat) == list(line)
        assert {key: text_of(flat[key]) for key, cell in line.items() if _is_plain(cell)} == {
            key: _plain(cell) for key, cell in line.items() if _is_plain(cell)
        }


def _is_plain(cell: object) -> bool:
    return not isinstance(cell, list)


def _plain(cell: object) -> str:
    return "" if cell is None else str(cell).lower() if isinstance(cell, bool) else str(cell)


def test_values_of_the_csv_read_back_to_name_value_and_unit() -> None:
    frame = findings_frame(report_days.report())
    texts = [line["values"] for line in read(to_flat_csv(FINDINGS, frame))]
    assert [_values(text) for text in texts] == frame["values"].to_list()


def _values(text: str) -> list[Mapping[str, Any]]:
    read_back: list[Mapping[str, Any]] = []
    for item in text.split("; ") if text else ():
        name, _, number = item.partition("=")
        value, unit = number.split(" ")
        read_back.append({"name": name, "value": float(value) if value else None, "unit": unit})
    return read_back


def test_an_id_is_of_place_rule_and_day_alone() -> None:
    found = next(
        one for one in report_days.report().findings if one.answer.subject == Subject("BH1", 1, 4)
    )
    assert found.id == f"BH1-C1-R4-{found.rule}-20261124"
    again = replace(found, answer=replace(found.answer, text="other words", urgency=None))
    assert again.id == found.id
    place = replace(found.answer, subject=Subject("BH1", 1, 4, is_place=True))
    assert replace(found, answer=place).id == f"BH1-C1-P4-{found.rule}-20261124"
    ids = findings_frame(report_days.report())["id"]
    assert ids.n_unique() == len(ids)


def orders(*cases: Any) -> list[dict[str, str]]:
    """Return the work orders of a kiln whose solenoid of row 7 has a tag."""
    report = report_days.report()
    tag = Tag.model_validate(
        {"role": Role.ROW_SOLENOID, "tag": "=YS-107", "unit": "1", "compartment": 1, "row": 7}
    )
    kiln = report.baghouses[0]
    house = kiln.baghouse.model_copy(update={"tag": (tag,)})
    changed = replace(report, baghouses=(replace(kiln, baghouse=house),), cases=cases)
    return read(to_flat_csv(WORK_ORDERS, work_orders_frame(changed)))


def test_a_work_order_says_what_where_when_and_with_what() -> None:
    (order,) = orders(case("valve", 1, 7, COIL, number="no pressure drop at any pulse"))
    assert order == {
        "case": "BH1-C1-R7-valve-20260302",
        "baghouse": "BH1",
        "compartment": "1",
        "row": "7",
        "place": "",
        "tag": "'=YS-107",
        "what": "Valve of a row: No pressure drop at any pulse",
        "first": "pulse it manually, standing clear",
        "needs_isolation": "true",
        "when": "next outage",
        "since": "2026-03-02",
        "parts": COIL_PART,
    }


def test_what_needs_no_isolation_need_not_wait_for_the_outage() -> None:
    checked = replace(COIL, check_first=("pulse it manually",))
    when = {
        urgency: orders(case("valve", 1, 7, checked, urgency=urgency, findings=()))[0]["when"]
        for urgency in Urgency
    }
    assert list(when.values()) == ["now", "any day", "watch"]
    isolated = replace(COIL, check_first=("isolated: coil, plug and wire",))
    (order,) = orders(case("valve", 1, 7, isolated))
    assert order["when"] == "next outage"
    assert order["first"].startswith(ISOLATED.split(",")[0])


def test_what_is_no_job_of_its_own_is_no_work_order_and_the_most_pressing_comes_first() -> None:
    waiting = case("valve", 1, 3, WORN)
    now = case("valve", 2, 7, WORN, urgency=Urgency.NOW)
    explained = case("header", 1, 0, explained_by=("x",))
    gone = replace(waiting, subject=Subject("BH9", 1, 1))
    assert [order["case"] for order in orders(waiting, now, explained, gone)] == [
        now.id,
        waiting.id,
    ]


def test_a_place_in_the_sequence_has_no_tag() -> None:
    (order,) = orders(case("valve", 1, 7, WORN, is_place=True))
    assert (order["row"], order["place"], order["tag"]) == ("", "7", "")


def test_a_table_that_fails_costs_itself_and_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(report: DayReport) -> pl.DataFrame:
        raise KeyError(report.day)

    monkeypatch.setattr(day_files, "work_orders_frame", fails)
    guard = Guard(report_days.report().day, isolates=True)
    assert set(table_files(report_days.report(), guard)) == {
        f"{name}.{end}" for name in TABLES for end in ("jsonl", "parquet", "csv")
    }
    (failure,) = guard.failures
    assert failure.text.startswith("table work-orders: could not be written: ")


def test_the_command_prints_columns_and_schemas(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    printed = capsys.readouterr().out
    for table in (FINDINGS, CASES, WORK_ORDERS):
        assert all(f"  {column.name} " in printed for column in table.columns)
    assert main(["schema", "cases"]) == 0
    assert capsys.readouterr().out == schema_text("cases")


if __name__ == "__main__":
    for name, (table, _) in TABLES.items():
        path = Path(__file__).parents[2] / "reports/rowcall_reports/tables/schemas" / f"{name}.json"
        path.write_text(json.dumps(table.schema(), indent=2) + "\n", encoding="utf-8")
