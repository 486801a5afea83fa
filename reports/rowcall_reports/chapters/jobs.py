"""What is new of the day's cases, and what to do: lists that read on a telephone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from rowcall.model import ISOLATED, Case, Check, News, RankedCause, Repair, Urgency
from rowcall_reports import wording
from rowcall_reports.actions import Job, places_of
from rowcall_reports.prepared import PreparedReport

_HEADS = {
    Urgency.NOW.value: "Now",
    Urgency.NEXT_OUTAGE.value: "Next outage",
    Urgency.WATCH.value: "Watch",
}
# In the order of the page.
_NEWS = {
    News.OPENED: "New",
    News.BACK: "Back again",
    News.WORSE: "Worse",
    News.CONTRADICTED: "Not mended",
    News.VERIFIED: "Mended",
    News.BETTER: "Better",
    News.CHATTERS: "Comes and goes",
    News.QUIET: "Not found any more",
    News.CLOSED: "Closed",
}
_LIKELY = 0.5  # chosen: below it the cause is one among others


def write_news(prepared: PreparedReport) -> str:
    """Return what became of the cases on the day, '' on a day without any case."""
    cases = prepared.own_cases
    if not cases:
        return ""
    lines = [
        f"- **{words}:** {'; '.join(_of_case(prepared, case, news) for case in cases_of)}."
        for news, words in _NEWS.items()
        if (cases_of := [case for case in cases if news in case.news])
    ]
    return "\n".join(lines) or "Nothing is new since the day before."


def _of_case(prepared: PreparedReport, case: Case, news: News) -> str:
    said = next(event.text for event in reversed(case.history) if event.news is news)
    words = wording.escape(said or _title_of(prepared, case))
    return f"{_where(case)} ({words})"


def _title_of(prepared: PreparedReport, case: Case) -> str:
    titles = {rule.name: rule.title for rule in prepared.report.rules}
    rule = case.findings[0].rule
    return _lower(titles.get(rule, rule))


def _lower(title: str) -> str:
    return f"{title[0].lower()}{title[1:]}"


def _where(case: Case) -> str:
    what = places_of([case.subject]) if case.subject.compartment else _lower(case.title)
    return f"{wording.escape(case.subject.baghouse)}, {what}"


def write_jobs(prepared: PreparedReport) -> list[str]:
    """Return headings and lists: what to do by when, and what could not be seen on this day."""
    jobs, unseen = prepared.own_jobs, list(_unseen(prepared))
    if not jobs and not unseen:
        return []
    parts = ["## What to do"]
    for group in wording.grouped(jobs, lambda job: job.urgency):
        parts.append(f"### {_HEADS.get(group[0].urgency, 'Without a stated urgency')}")
        parts.append("\n".join(line for job in group for line in _job(prepared, job)))
    if unseen:
        parts += ["### Still open, but not to be seen on this day", "\n".join(unseen)]
    return parts


def _unseen(prepared: PreparedReport) -> Iterator[str]:
    for case in prepared.report.cases:
        if case.is_unseen:
            last = wording.day_in_sentence(case.last_found, prepared.report.day)
            yield (
                f"- **{_where(case)}: {wording.escape(_title_of(prepared, case))}.** "
                f"Last found on {last}; then: {wording.escape(case.number or 'no number')}."
            )


def _job(prepared: PreparedReport, job: Job) -> Iterator[str]:
    """Yield a line with what, where, one number and since when, then what to do and why so."""
    names = {baghouse.day.baghouse.id: baghouse.name for baghouse in prepared.baghouses}
    answer, name = job.first.answer, names[job.baghouse]
    where = f"{name}, {job.place}" if answer.subject.compartment else name
    title = _lower(job.rule.title)
    day = prepared.report.day
    yield f"- **{where}: {wording.escape(title)}.** {_number(job)} {_since(job.since, day)}."
    outside, _, isolated = answer.action.partition(ISOLATED)
    if outside.strip():
        yield f"    - {wording.escape(outside.strip())}"
    if isolated:
        yield f"    - {wording.escape(ISOLATED + isolated)}"
    yield from (f"    - {line}" for line in _behind(job))


def _number(job: Job) -> str:
    """Return the numbers of its cases, each row's by its name, else the words of the rule."""
    numbers = [
        (found.answer.subject.row, case.number)
        for found in job.findings
        for case in job.cases
        if case.subject == found.answer.subject and case.number
    ]
    if len(numbers) < len(job.findings):
        return job.why
    if len({number for _, number in numbers}) == 1:
        text = numbers[0][1]
    else:
        text = ", ".join(f"row {row}: {number}" for row, number in numbers)
    return wording.escape(f"{text[0].upper()}{text[1:]}.")


def _since(firsts: Sequence[date], day: date) -> str:
    """Return the first day, or the earliest and the latest where rows of a job differ."""
    shown = dict.fromkeys(
        "New"
        if first >= day
        else f"Since {wording.day_in_sentence(first, day)} (day {(day - first).days + 1})"
        for first in (min(firsts), max(firsts))
    )
    return " to ".join(shown).replace("to Since", "to since")


def _behind(job: Job) -> Iterator[str]:
    """Yield what is likely behind it, what was done about it, and what it accounts for."""
    for group in wording.grouped(job.cases, lambda case: case.causes[:1] and case.causes[0].name):
        if len(group[0].causes) > 1:
            which = f" ({places_of([case.subject for case in group])})" * (len(job.cases) > 1)
            yield f"Likely{which}: {'; '.join(_causes(group[0].causes))}."
    for case in job.cases:
        yield from (wording.escape(_repair(repair)) for repair in case.repairs)
        others = dict.fromkeys(one.text for one in case.explains)
        yield from (wording.escape(f"{text[0].upper()}{text[1:]}.") for text in others)


def _causes(causes: Sequence[RankedCause]) -> list[str]:
    """Return the first cause and, where it is one among others, the second."""
    n_shown = 1 if causes[0].probability > _LIKELY else 2
    return [
        wording.escape(one.title)
        + (f" ({wording.percent(one.probability)})" if one.is_measured else "")
        for one in causes[:n_shown]
    ]


def _repair(repair: Repair) -> str:
    if repair.check is Check.WAITING:
        done = f"{repair.entry.work.value} on {repair.entry.day.isoformat()}"
        return f"{done[0].upper()}{done[1:]}; whether it helped is not yet seen."
    return f"{repair.text[0].upper()}{repair.text[1:]}."
