"""What of a day is mailed, for each set of baghouses that readers want: subject, page, line."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

from rowcall.day_report import DayReport
from rowcall.errors import printable
from rowcall.guard import UNGUARDED, Failure, Guard
from rowcall.mail.day_mail import DayMail, groups_of
from rowcall.model import PRESSING, Urgency
from rowcall_reports import wording
from rowcall_reports.figures.picture import Picture, by_name
from rowcall_reports.first_page.jobs import counts
from rowcall_reports.markdown import write_day_page
from rowcall_reports.page_links import NAV_MARK, without_links
from rowcall_reports.prepared import PreparedReport, prepare

_LINK = r"\[[^\n]*?\]\([^)\n]+\)"
_ONLY_LINKS = re.compile(rf"{_LINK}({re.escape(NAV_MARK)}{_LINK})*")
_PICTURE = re.compile(r"!\[[^\n]*\]\(([^)\n]+)\)")


def day_mails(
    report: DayReport, pictures: Sequence[Picture], guard: Guard = UNGUARDED
) -> list[DayMail]:
    """Return what is mailed of a day, that for the readers of all baghouses first."""
    return [
        _day_mail(report.of(houses) if houses else report, houses, pictures, guard)
        for houses in groups_of(report.site.mail)
    ]


def _day_mail(
    report: DayReport, houses: tuple[str, ...], pictures: Sequence[Picture], guard: Guard
) -> DayMail:
    prepared = prepare(report, guard)
    markdown = _without_pages(write_day_page(prepared, by_name(pictures), guard))
    counted = counts(prepared)
    failures = [one for one in guard.failures if not houses or one.baghouse in (*houses, "")]
    pressing = _pressing(prepared, failures)
    plant, day = printable(report.site.plant.name), wording.day_in_sentence(report.day, report.day)
    revision = f" (revision {report.revision})" if report.revision > 1 else ""
    known = {picture.name for picture in pictures}
    return DayMail(
        baghouses=houses,
        subject=f"{_what(prepared, counted, pressing)} - {plant}, {day}{revision}",
        pressing=pressing and pressing.value,
        line=f"{day}: nothing new; {wording.lower_first(counted)}.",
        markdown=markdown,
        pictures=tuple(name for name in _PICTURE.findall(markdown) if name in known),
    )


def _without_pages(page: str) -> str:
    """Return the page of a day without links to others: a mail does not hold them."""
    lines = [line for line in page.splitlines() if not _ONLY_LINKS.fullmatch(line)]
    more = "More on each baghouse, and how this was judged, is in the folder of the report."
    return without_links("\n".join([*lines, more, ""]))


def _pressing(prepared: PreparedReport, failures: Sequence[Failure]) -> Urgency | None:
    """Return the most pressing urgency of what is new or to be done now, None on a quiet day.

    What could not be judged at all is pressing: silence would be taken for quiet.
    """
    if failures or not all(baghouse.has_data for baghouse in prepared.baghouses):
        return Urgency.NOW
    new = [case.urgency or Urgency.WATCH for case in prepared.own_cases if case.news]
    jobs = [job.first.answer.urgency for job in prepared.own_jobs]
    return min(new + [Urgency.NOW] * (Urgency.NOW in jobs), key=PRESSING.index, default=None)


def _what(prepared: PreparedReport, counted: str, pressing: Urgency | None) -> str:
    """Return the most pressing job with its place, then how many jobs and what news there are."""
    missing = [one.day.baghouse.id for one in prepared.baghouses if not one.has_data]
    first = [f"no data from {', '.join(missing)}"] if missing else []
    jobs = prepared.own_jobs
    if pressing is None:
        first.append("nothing new")
    elif jobs:
        job = jobs[0]
        has_place = job.first.answer.subject.compartment
        where = f"{job.baghouse} {job.place}" if has_place else job.baghouse
        head = job.urgency.upper() if job.urgency == Urgency.NOW else job.urgency
        first.append(f"{head}: {where}: {wording.lower_first(job.rule.title)}")
    news = Counter(news.value for case in prepared.own_cases for news in case.news)
    rest = [counted, *(f"{n} {what}" for what, n in news.items())]
    said = f"{'; '.join(first)} ({'; '.join(rest)})" if first else "; ".join(rest)
    return f"{said[0].upper()}{said[1:]}"
