"""A stop of the kiln baghouse of the report tests, with cases built by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any

from helpers.report_days import site

from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import (
    ISOLATED,
    Answer,
    Case,
    Check,
    Finding,
    Lack,
    RankedCause,
    Repair,
    State,
    Subject,
    Urgency,
    Verdict,
    Work,
    WorkEntry,
    WorkLog,
)
from rowcall_reports.judgeable import judgeable
from rowcall_reports.outage.stop import Stop

DAY = date(2026, 3, 15)
COIL = RankedCause(
    "no_current",
    "solenoid, its wire or its output is dead",
    0.7,
    (),
    ("pulse it manually, standing clear", "isolated: coil, plug and wire"),
)
WORN = RankedCause(
    "worn_diaphragm",
    "diaphragm torn or worn",
    0.25,
    (),
    ("listen: does it blow longer than its neighbours?", "isolated: both diaphragms and the seat"),
)
SELDOM = RankedCause(
    "by_design", "fewer bags than stated", 0.05, (), ("isolated: blowpipe and nozzles",)
)
BLINDED = RankedCause(
    "cold_start", "blinded by a cold start", 0.9, (), ("isolated: a bag to a laboratory",)
)
OUTSIDE = "Read the gauges."


def entry(work: Work, day: date, subject: Subject, **more: Any) -> WorkEntry:
    """Return an entry of the work log."""
    at = datetime.combine(day, time(), tzinfo=UTC)
    return WorkEntry(at=at, line=2, day=day, work=work, subject=subject, **more)


def case(
    family: str,
    compartment: int,
    row: int = 0,
    *causes: RankedCause,
    is_place: bool = False,
    text: str = "Silent all day: no pressure drop at any of 240 pulses.",
    **more: Any,
) -> Case:
    """Return an open case of BH1 since 2 March."""
    subject = Subject("BH1", compartment, row, is_place)
    answer = Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        text=text,
        action=f"{OUTSIDE} {ISOLATED}filter and regulator.",
    )
    known: dict[str, Any] = {
        "id": f"BH1-C{compartment}-R{row}-{family}-20260302",
        "family": family,
        "title": {"valve": "Valve of a row", "cloth": "Residual DP"}.get(family, family),
        "subject": subject,
        "state": State.OPEN,
        "opened": date(2026, 3, 2),
        "last_found": DAY,
        "urgency": Urgency.NEXT_OUTAGE,
        "findings": (Finding(DAY, "row_silent", answer),),
        "found_today": True,
        "causes": causes,
    }
    return Case(**{**known, **more})


def renewed(work: Work, check: Check = Check.CONTRADICTED) -> Repair:
    """Return a repair of row 7 on 12 March."""
    done = entry(work, date(2026, 3, 12), Subject("BH1", 1, 7))
    return Repair(done, check, DAY, "diaphragms renewed on 2026-03-12, but still: silent")


def unjudged() -> tuple[Finding, ...]:
    """Return rows of which closing could not be timed."""
    why = "its 94 pulses are too few, or too poorly observable, to time its closing"
    rows = (Subject("BH1", 2, row) for row in range(1, 13))
    return tuple(
        Finding(DAY, "row_closes_late", Answer.cannot_tell(row, why, Lack.FINE_PRESSURE))
        for row in rows
    )


def stop(*cases: Case, **more: Any) -> Stop:
    """Return a stop of BH1 with cases."""
    the_site = site()
    known: dict[str, Any] = {
        "site": the_site,
        "house": the_site.baghouse[0],
        "day": DAY,
        "rules": tuple(load_rules()),
        "cases": cases,
    }
    return Stop(**{**known, **more})


def full_stop() -> Stop:
    """Return a stop with something in every chapter."""
    house = Subject("BH1")
    rows = unjudged()
    return stop(
        case("cloth", 0, 0, BLINDED, text="Residual DP rose by 0.24 kPa in 30 days. More."),
        case("valve", 1, 7, COIL, WORN, SELDOM, repairs=(renewed(Work.DIAPHRAGMS_RENEWED),)),
        case("valve", 2, 3, WORN, is_place=True, urgency=Urgency.WATCH),
        case("header", 2, 0),
        case("valve", 2, 9, COIL, state=State.QUIET),
        case("header", 1, 0, explained_by=("BH1-C1-R7-valve-20260302",)),
        findings=rows,
        work=WorkLog(
            (
                entry(Work.DYE_TEST, date(2026, 3, 1), Subject("BH1", 1, 2), position=5),
                entry(Work.OUTAGE_PLANNED, date(2026, 3, 20), house),
            )
        ),
        advice=judgeable(rows, site(), load_rules(), {("BH1", 0): 5.0}),
    )
