"""What the page of all days says: how each baghouse stood on each day, and every case."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from rowcall.model import PRESSING, Case, Subject, Urgency, Verdict
from rowcall.site import Role, Site
from rowcall_reports.page_links import baghouse_page, day_page

_CLOSED_DAYS = timedelta(days=90)  # chosen: a quarter; older cases are found by the search
_CALENDAR_DAYS = timedelta(days=366)  # chosen: the same season last year can be compared

Said = tuple[date, str, Verdict, Urgency | None]  # of one day and baghouse, any place and rule


class Standing(StrEnum):
    """How a baghouse, or all of them, stood on a day; what wants attention most comes first."""

    NOW = "now"
    NEXT_OUTAGE = "next outage"
    WATCH = "watch"
    UNJUDGED = "could not be judged"
    QUIET = "nothing found"
    NO_REPORT = "no report"


ORDER = tuple(Standing)


@dataclass(frozen=True, slots=True)
class CaseLine:
    """A case, the tags of its row's solenoid, and the newest page that shows it ('': none)."""

    case: Case
    tags: tuple[str, ...]
    page: str


@dataclass(frozen=True, slots=True, kw_only=True)
class IndexData:
    """All of the page, from the first day of its calendar to the newest judged day.

    Attributes:
        houses: ids and names, in the order of the site file.
        standing: by day and baghouse; NO_REPORT where there is none.
        cases: open ones and those clear for some days, the most pressing first.
        closed, earlier: closed within and before the last 90 days, the newest first.
        pages: `<day>/<page>.html` of all pages in the folder.
    """

    plant: str
    first: date
    newest: date
    houses: Mapping[str, str]
    standing: Mapping[tuple[date, str], Standing]
    cases: tuple[CaseLine, ...]
    closed: tuple[CaseLine, ...]
    earlier: tuple[CaseLine, ...]
    pages: Container[str]

    def link(self, day: date, baghouse: str = "") -> str:
        """Return the address of a baghouse's page, or of the page of the day; '' without one."""
        page = page_of(day, baghouse)
        return page if page in self.pages else ""

    def stood(self, day: date, baghouse: str = "") -> Standing:
        """Return how a baghouse stood on a day; without one, the worst of all."""
        asked = [baghouse] if baghouse else self.houses
        found = (self.standing.get((day, one), Standing.NO_REPORT) for one in asked)
        return min(found, key=ORDER.index, default=Standing.NO_REPORT)


def page_of(day: date, baghouse: str = "") -> str:
    """Return where a page lies within the report folder."""
    return f"{day.isoformat()}/{baghouse_page(baghouse) if baghouse else day_page(day)}.html"


def index_data(
    site: Site, newest: date, said: Iterable[Said], cases: Sequence[Case], pages: Container[str]
) -> IndexData:
    """Return what the page of all days says, as of the end of the newest judged day.

    Args:
        cases: of all judged days, those closed long ago too.
        pages: `<day>/<page>.html` of all pages in the folder.
    """
    tags = _solenoids(site)
    lines = [
        CaseLine(case, tags.get(case.subject, ()), _page(case, newest, pages)) for case in cases
    ]
    standing = _standing(said)
    oldest = min((day for day, _ in standing), default=newest)
    closed = [(line.case.closed, line) for line in lines if line.case.closed]
    closed.sort(key=lambda one: (one[0], one[1].case.id), reverse=True)
    return IndexData(
        plant=site.plant.name,
        first=max(oldest, newest - _CALENDAR_DAYS),
        newest=newest,
        houses={house.id: house.name for house in site.baghouse},
        standing=standing,
        cases=tuple(sorted((line for line in lines if not line.case.closed), key=_pressing)),
        closed=tuple(line for day, line in closed if day > newest - _CLOSED_DAYS),
        earlier=tuple(line for day, line in closed if day <= newest - _CLOSED_DAYS),
        pages=pages,
    )


def _pressing(line: CaseLine) -> tuple[object, ...]:
    """Sort jobs before what other cases account for or what is clear for some days."""
    case = line.case
    return not case.is_job, PRESSING.index(case.urgency), case.subject, case.family


def _standing(said: Iterable[Said]) -> dict[tuple[date, str], Standing]:
    standing: dict[tuple[date, str], Standing] = {}
    for day, house, verdict, urgency in said:
        one = _of_answer(verdict, urgency)
        before = standing.get((day, house), Standing.UNJUDGED)
        # What is clear outranks what could not be judged: a plant lacks tags for some rules.
        known = {before, one} - {Standing.UNJUDGED}
        standing[day, house] = min(known, key=ORDER.index, default=Standing.UNJUDGED)
    return standing


def _of_answer(verdict: Verdict, urgency: Urgency | None) -> Standing:
    if verdict is Verdict.FOUND:
        return Standing(urgency.value) if urgency else Standing.WATCH
    return Standing.QUIET if verdict is Verdict.CLEAR else Standing.UNJUDGED


def _solenoids(site: Site) -> dict[Subject, tuple[str, ...]]:
    """Return the tags of each row's solenoid, those of former names too."""
    tags: dict[Subject, tuple[str, ...]] = {}
    for house in site.baghouse:
        for tag in house.tag:
            if tag.role is Role.ROW_SOLENOID:
                row = Subject(house.id, tag.compartment or 0, tag.row or 0)
                tags[row] = (*tags.get(row, ()), tag.tag)
    return tags


def _page(case: Case, newest: date, pages: Container[str]) -> str:
    """Return the newest page with the case: it stands there until the day of its closing."""
    last = (case.closed or newest, case.last_found)
    found = (page_of(day, case.subject.baghouse) for day in last)
    return next((page for page in found if page in pages), "")
