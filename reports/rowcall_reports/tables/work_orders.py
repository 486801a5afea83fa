"""What is to be done as of a day, a line a case, for a system that plans work."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from rowcall.day_report import DayReport
from rowcall.model import PRESSING, Case, Urgency
from rowcall.site import Baghouse, Role
from rowcall_reports.outage.stop import isolated_of, outside_of, parts_of, why_of
from rowcall_reports.tables.findings import cells_of
from rowcall_reports.tables.table_columns import PLACE, Column, Kind, Table

_ANY_DAY = "any day"
_WHEN = (Urgency.NOW.value, _ANY_DAY, Urgency.NEXT_OUTAGE.value, Urgency.WATCH.value)
WORK_ORDERS = Table(
    "work-orders",
    "what is to be done about one case",
    (
        Column("case", Kind.TEXT, "its id, the same on all its days"),
        *PLACE,
        Column("tag", Kind.TEXT, "of the row's solenoid", null="there is none, or no one row"),
        Column("what", Kind.TEXT, "what is wrong, with its number"),
        Column(
            "first", Kind.TEXT, "first thing to do; from outside, unless it begins with Isolated"
        ),
        Column("needs_isolation", Kind.YES_NO, "some of the work needs isolation"),
        Column(
            "when",
            Kind.TEXT,
            f"by the case's urgency; {_ANY_DAY} where the next outage would do and nothing needs "
            "isolation",
            allowed=_WHEN,
        ),
        Column("since", Kind.DAY, "first day of the case"),
        Column("parts", Kind.TEXT, "that may be needed", many=True),
    ),
    (),
)


def work_orders_frame(report: DayReport) -> pl.DataFrame:
    """Return a line for each case about which something is to be done, the most pressing first."""
    houses = {day.baghouse.id: day.baghouse for day in report.baghouses}
    jobs = sorted(
        (case for case in report.cases if case.is_job and case.subject.baghouse in houses),
        key=lambda case: (PRESSING.index(case.urgency), case.subject, case.id),
    )
    return WORK_ORDERS.frame(tuple(_cells(case, houses[case.subject.baghouse])) for case in jobs)


def _cells(case: Case, house: Baghouse) -> Iterator[object]:
    outside, isolated = outside_of(case), isolated_of(case)
    why = why_of(case)
    yield case.id
    yield from cells_of(case.subject)
    yield _solenoid_of(case, house)
    yield why if why.startswith(case.title) else f"{case.title}: {why}"
    yield next(iter([*outside, *(f"Isolated: {text}" for text in isolated)]), "")
    yield bool(isolated)
    yield _when(case, needs_isolation=bool(isolated))
    yield case.opened
    yield parts_of(case)


def _solenoid_of(case: Case, house: Baghouse) -> str | None:
    place = Role.ROW_SOLENOID, case.subject.compartment, case.subject.row
    if case.subject.is_place or not case.subject.row:
        return None
    return next((tag.tag for tag in house.tag if tag.place == place), None)


def _when(case: Case, *, needs_isolation: bool) -> str:
    urgency = case.urgency or Urgency.WATCH
    is_free = urgency is Urgency.NEXT_OUTAGE and not needs_isolation
    return _ANY_DAY if is_free else urgency.value
