"""A made-up year of findings and cases for the page of all days."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta

from rowcall.model import Answer, Case, Event, Finding, News, State, Subject, Urgency, Verdict
from rowcall.site import Site
from rowcall_reports.index.index_data import IndexData, Said, index_data, page_of

NEWEST = date(2026, 11, 24)
ROWS, CASES = 12, 60  # of each baghouse
TEXT = "No pressure drop at any of 57 pulses that could be judged (94 sent): row {}."


def site(n_houses: int, name: str = "Ondravel Lime") -> Site:
    """Return a site of so many baghouses with a solenoid tag a row."""
    houses = [
        {
            "id": f"BH{n}",
            "name": f"Filter {n}",
            "compartments": 1,
            "rows_per_compartment": ROWS,
            "cleaning": {"mode": "on_time", "interval": "20 s"},
            "tag": [
                {
                    "role": "row_solenoid",
                    "tag": f"LK.BH{n}.YS_1{row:02d}",
                    "unit": "1",
                    "compartment": 1,
                    "row": row,
                    "sample": "on change",
                }
                for row in range(1, ROWS + 1)
            ],
        }
        for n in range(1, n_houses + 1)
    ]
    plant = {"name": name, "time_zone": "UTC"}
    return Site.model_validate({"plant": plant, "baghouse": houses})


def case(
    subject: Subject,
    opened: date,
    *,
    last: date | None = None,
    closed: date | None = None,
    urgency: Urgency = Urgency.NEXT_OUTAGE,
    text: str = TEXT,
) -> Case:
    """Return a case, found until its closing or the newest day."""
    last = last or (closed - timedelta(days=7) if closed else NEWEST)
    answer = Answer(
        subject=subject, verdict=Verdict.FOUND, text=text.format(subject.row), urgency=urgency
    )
    return Case(
        id=f"{subject.code}-valve-{opened:%Y%m%d}",
        family="valve",
        title="Valve of a row",
        subject=subject,
        state=State.CLOSED if closed else State.OPEN,
        opened=opened,
        last_found=last,
        closed=closed,
        urgency=urgency,
        findings=(Finding(last, "row_silent", answer),),
        found_today=last == NEWEST,
        number="answers 0 % of its pulses",
        history=(
            Event(opened, News.OPENED, "answers 31 % of its pulses"),
            Event(last, News.WORSE, "answers 0 % of its pulses"),
        ),
    )


def year(n_houses: int, n_days: int = 365) -> IndexData:
    """Return a year in which each day was judged and each row had cases."""
    days = [NEWEST - timedelta(days=n) for n in range(n_days)]
    houses = [f"BH{n}" for n in range(1, n_houses + 1)]
    pages = {page_of(day, house) for day in days for house in ("", *houses)}
    cases = [one for house in houses for one in _cases(house)]
    return index_data(site(n_houses), NEWEST, _said(days, houses), cases, pages)


def _cases(house: str) -> Iterator[Case]:
    for n in range(CASES):
        opened = NEWEST - timedelta(days=6 * n)
        closed = opened + timedelta(days=20) if n >= ROWS else None
        yield case(Subject(house, 1, 1 + n % ROWS), opened, closed=closed)


def _said(days: list[date], houses: list[str]) -> Iterator[Said]:
    for n, day in enumerate(days):
        for m, house in enumerate(houses):
            yield day, house, Verdict.CLEAR, None
            yield day, house, Verdict.CANNOT_TELL, None
            if (n + m) % 3:
                yield day, house, Verdict.FOUND, tuple(Urgency)[(n * m) % 3]
