"""Answers of many days by hand, and the cases they make."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from rowcall.diagnosis.rule_book import load_families, load_rules
from rowcall.memory.cases import Remembered, cases_on
from rowcall.model import (
    HISTORY_COLUMNS,
    Answer,
    Case,
    Finding,
    Quantity,
    Subject,
    Urgency,
    Verdict,
    Work,
    WorkEntry,
    WorkLog,
)
from rowcall.site import UnitsTable
from rowcall.units import Units

ZONE, UNITS = ZoneInfo("UTC"), UnitsTable().scales
FIRST = date(2026, 2, 1)
ROWS = {"BH1": 24}
FAMILIES, RULES = load_families(), load_rules()


def day(number: int) -> date:
    """Day of the month of tests, from 1."""
    return FIRST + timedelta(days=number - 1)


def at(number: int, hour: int = 0) -> datetime:
    return datetime.combine(day(number), time(hour), tzinfo=UTC)


def row(compartment: int, number: int) -> Subject:
    return Subject("BH1", compartment, number)


def answer(
    number: int,
    rule: str,
    subject: Subject,
    verdict: Verdict = Verdict.FOUND,
    urgency: Urgency = Urgency.NEXT_OUTAGE,
    start: datetime | None = None,
    **values: float,
) -> Finding:
    found = verdict is Verdict.FOUND
    return Finding(
        day(number),
        rule,
        Answer(
            subject=subject,
            verdict=verdict,
            text=f"{rule} {verdict.value}",
            urgency=urgency if found else None,
            start=(start or at(number)) if found else None,
            values=tuple(Quantity(name, value, "1") for name, value in values.items()),
        ),
    )


def valve(number: int, subject: Subject, answered: float, drop: float = 1.0) -> Iterator[Finding]:
    """What the rules on a row's valve answer on a day, by its share of answers and its drop."""
    silent = answered < 0.9
    yield answer(
        number,
        "row_silent",
        subject,
        Verdict.FOUND if silent else Verdict.CLEAR,
        answered_share=answered,
    )
    weak = drop < 0.7
    yield answer(
        number,
        "row_weak",
        subject,
        Verdict.FOUND if weak and not silent else Verdict.CLEAR,
        drop_ratio=drop if not silent else float("nan"),
        drop_ratio_error=0.01,
    )
    yield answer(number, "row_closes_late", subject, Verdict.CLEAR, late_s=0.0, late_s_error=0.05)


def unknown(number: int, subject: Subject) -> Iterator[Finding]:
    for rule in ("row_silent", "row_weak", "row_closes_late"):
        yield answer(number, rule, subject, Verdict.CANNOT_TELL)


def entry(number: int, work: Work, subject: Subject, hour: int = 10, line: int = 2) -> WorkEntry:
    return WorkEntry(
        at=at(number, hour), line=line, day=day(number), work=work, subject=subject, is_timed=True
    )


def cases(
    until: int,
    answers: Iterable[Finding],
    *entries: WorkEntry,
    facts: Iterable[tuple[int, str, float]] = (),
    units: Units = UNITS,
) -> list[Case]:
    """Return the cases of a day of the month of tests; facts are of BH1."""
    lines = [(day(number), 0, 0, name, value) for number, name, value in facts]
    known = Remembered(
        answers=list(answers),
        work=WorkLog(tuple(sorted(entries))),
        facts={"BH1": pl.DataFrame(lines, schema=HISTORY_COLUMNS, orient="row")},
        rows=ROWS,
    )
    return list(cases_on(day(until), known, families=FAMILIES, rules=RULES, zone=ZONE, units=units))
