"""Every verdict of a day as a table for other systems."""

from __future__ import annotations

import math

import polars as pl

from rowcall.day_report import DayReport
from rowcall.model import Finding, Quantity, Subject, Urgency, Verdict
from rowcall_reports.actions import since
from rowcall_reports.tables.table_columns import PLACE, Column, Kind, Table

_ELSE = "nothing found"
FINDINGS = Table(
    "findings",
    "what one rule says of one place and day",
    (
        Column("id", Kind.TEXT, "place, rule and day; the same in every revision and rerun"),
        Column("date", Kind.DAY, "plant-local day that was judged"),
        *PLACE,
        Column("rule", Kind.TEXT, "as listed by `rowcall rules`"),
        Column("verdict", Kind.TEXT, "what it says", allowed=tuple(Verdict)),
        Column("urgency", Kind.TEXT, "when to act", null=_ELSE, allowed=tuple(Urgency)),
        Column("since", Kind.DAY, "first day of its case", null=_ELSE),
        Column("case", Kind.TEXT, "id of its case, the same on all its days", null=_ELSE),
        Column("start", Kind.INSTANT, "begin of what the verdict speaks of", null="not bounded"),
        Column("end", Kind.INSTANT, "end of it", null="not bounded"),
        Column(
            "values",
            (
                Column("name", Kind.TEXT, "what it measures"),
                Column("value", Kind.NUMBER, "the number", null="not known"),
                Column("unit", Kind.TEXT, "UCUM code"),
            ),
            "the numbers behind it",
            flat="{name}={value} {unit}",
        ),
        Column("text", Kind.TEXT, "why, in plain words"),
        Column("action", Kind.TEXT, "what to do; empty where nothing is found"),
    ),
    ("baghouse", "compartment", "row", "place", "rule"),
)


def findings_frame(report: DayReport) -> pl.DataFrame:
    """Return every answer of the day, one a line, sorted by place and rule."""
    return FINDINGS.frame(_row(report, found) for found in report.findings)


def _row(report: DayReport, found: Finding) -> tuple[object, ...]:
    answer, case = found.answer, report.case_of(found)
    urgency = answer.urgency.value if answer.urgency else None
    return (
        found.id,
        found.day,
        *cells_of(answer.subject),
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


def cells_of(subject: Subject) -> tuple[str, int | None, int | None, int | None]:
    """Return the cells of `PLACE`."""
    number, is_place = subject.row or None, subject.is_place
    row, place = (None, number) if is_place else (number, None)
    return subject.baghouse, subject.compartment or None, row, place


def _quantity(quantity: Quantity) -> dict[str, object]:
    """JSON knows neither nan nor infinity; all files carry null instead, so that they agree."""
    value = float(quantity.value)
    return {
        "name": quantity.name,
        "value": value if math.isfinite(value) else None,
        "unit": quantity.unit,
    }
