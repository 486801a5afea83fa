"""What to do, a line a job, by when it can be done."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from rowcall.model import Chapter, Fact, Urgency, Verdict
from rowcall_reports import job_words, wording
from rowcall_reports.actions import Job
from rowcall_reports.chapters.cautions import cautions_in_short
from rowcall_reports.figures.row_sheet import Course, sinking
from rowcall_reports.first_page.news import title_of, where
from rowcall_reports.page_links import baghouse_page, link
from rowcall_reports.prepared import PreparedDay, PreparedReport

_MAX_TAGS = 3  # chosen: more are not read
SINKING = "Rows whose drop falls"


_OUTAGE = "Next outage"
_UNSEEN = "Still open, but not to be seen on this day"
# Headings of the page, in its order, and how many lines stand under each, in a sentence.
_AMOUNTS = {
    "Now": "to do now",
    "Any day, from outside": "to do any day",
    _OUTAGE: "for the next outage",
    "Watch": "to watch",
    "Without a stated urgency": "without a stated urgency",
    _UNSEEN: "found earlier",
}


def counts(prepared: PreparedReport) -> str:
    """Return how many lines stand under each heading, for the first line and a mail's subject."""
    report, sections = prepared.report, _sections(prepared)
    if prepared.own_jobs:
        amounts = [(str(len(lines)), _AMOUNTS[head]) for head, lines in sections.items() if lines]
        n, words = amounts[0]
        first = f"{wording.count(int(n), 'thing')} {words}"
        rest = [
            f"{_apart(prepared, n) if of == _AMOUNTS[_OUTAGE] else n} {of}" for n, of in amounts[1:]
        ]
        return ", ".join([first, *rest])
    judged = {one.answer.verdict for one in report.findings} - {Verdict.CANNOT_TELL}
    what = "Nothing was found that needs work" if judged else "Nothing was judged"
    n_open = len(sections[_UNSEEN])
    earlier = f"; {wording.count(n_open, 'thing')} found earlier {'is' if n_open == 1 else 'are'}"
    return f"{what}{f'{earlier} still open' if n_open else ''}"


def _apart(prepared: PreparedReport, n: str) -> str:
    """Return how many wait for the next outage, those apart that begin from outside on any day."""
    n_both = sum(
        all(job_words.steps(job))
        for job in prepared.own_jobs
        if job.first.answer.urgency is Urgency.NEXT_OUTAGE
    )
    if not n_both:
        return n
    n_more = int(n) - n_both
    return f"{n_both} of these{f' and {n_more} more' if n_more else ''}"


def write_jobs(prepared: PreparedReport) -> list[str]:
    """Return headings and lists: what to do by when, and what could not be seen on this day."""
    lists = [
        f"## {head}\n\n" + "\n".join(f"- {line}" for line in lines)
        for head, lines in _sections(prepared).items()
        if lines
    ]
    cautions = cautions_in_short(prepared.own_jobs)
    return [part for part in (cautions, *lists, _rows_to_mend(prepared)) if part]


def _sections(prepared: PreparedReport) -> dict[str, list[str]]:
    """Return the lines under each heading."""
    jobs = prepared.own_jobs
    now = [job for job in jobs if job.urgency == Urgency.NOW.value]
    later = [job for job in jobs if job not in now]
    lines = (
        [_line(prepared, job, _now(job)) for job in now],
        [
            _line(prepared, job, _first(job_words.steps(job)[0]))
            for job in later
            if job_words.steps(job)[0]
        ],
        _inside(prepared, later, Urgency.NEXT_OUTAGE),
        _watched(prepared, later),
        _inside(prepared, later, None),
        list(_unseen(prepared)),
    )
    return dict(zip(_AMOUNTS, lines, strict=True))


def _inside(prepared: PreparedReport, jobs: Sequence[Job], urgency: Urgency | None) -> list[str]:
    """Return the jobs that need isolation, short where their outside step stands above."""
    lines = []
    for job in jobs:
        outside, isolated = job_words.steps(job)
        if job.first.answer.urgency is not urgency or (outside and not isolated):
            continue
        step = f"Isolated: {_short(isolated)}" if isolated else ""
        short = f"**{_linked(job)}:** {wording.escape(step)}"
        lines.append(short if outside else _line(prepared, job, step))
    return lines


def _watched(prepared: PreparedReport, jobs: Sequence[Job]) -> list[str]:
    """Return what is only to be watched, and rows whose drop falls but is not yet found weak."""
    without = [job for job in jobs if not job_words.steps(job)[0]]
    sinking = (line for house in prepared.baghouses for line in _sinking(house))
    return [*_inside(prepared, without, Urgency.WATCH), *sinking]


def _line(prepared: PreparedReport, job: Job, step: str) -> str:
    """Return what, where, one number, since when, and a step."""
    number = job_words.number(job) or wording.escape(_first(job.first.answer.text))
    since = job_words.since(job.since, prepared.report.day)
    outside, _ = job_words.steps(job)
    watch = "; to watch" if job.first.answer.urgency is Urgency.WATCH and outside else ""
    return f"{_lead(prepared, job)} {number} {since}{watch}. {wording.escape(step)}".strip()


def _lead(prepared: PreparedReport, job: Job) -> str:
    title = wording.escape(wording.lower_first(job.rule.title))
    return f"**{_linked(job)}{_tags(prepared, job)}: {title}.**"


def _linked(job: Job) -> str:
    place = f"{job.baghouse}, {job.place}" if job.first.answer.subject.compartment else job.baghouse
    return link(wording.escape(place), baghouse_page(job.baghouse), job_words.heading(job))


def _tags(prepared: PreparedReport, job: Job) -> str:
    """Return the tags of its rows' solenoids, '' where there are none, or more than are read."""
    (house,) = (one for one in prepared.baghouses if one.day.baghouse.id == job.baghouse)
    tags = job_words.solenoids(house.day, job)
    return f" ({wording.escape(', '.join(tags))})" if 0 < len(tags) <= _MAX_TAGS else ""


def _now(job: Job) -> str:
    """Return the step from outside and then the isolated one, or the one that there is."""
    outside, isolated = job_words.steps(job)
    lead = "Then isolated: " if outside else "Isolated: "
    return f"{_first(outside)} {lead}{_short(isolated)}" if isolated else outside


def _first(text: str) -> str:
    """Return the first sentence."""
    return re.split(r"(?<=[.?!])\s+(?=[A-Z])", text, maxsplit=1)[0]


def _short(text: str) -> str:
    """Return the first sentence without what stands in brackets."""
    return re.sub(r" \([^)]*\)", "", _first(text))


def _unseen(prepared: PreparedReport) -> Iterator[str]:
    for case in prepared.report.cases:
        if case.is_unseen:
            last = wording.day_in_sentence(case.last_found, prepared.report.day)
            yield (
                f"**{where(case)}: {wording.escape(title_of(prepared, case))}.** "
                f"Last found on {last}; then: {wording.escape(case.number or 'no number')}."
            )


def _sinking(house: PreparedDay) -> Iterator[str]:
    for course, text in sinking_rows(house):
        place = wording.places([(course.compartment, course.row)])
        name = house.day.baghouse.id
        linked = link(wording.escape(f"{name}, {place}"), baghouse_page(name), SINKING)
        yield f"**{linked}: its drop falls.** {text}"


def sinking_rows(house: PreparedDay) -> list[tuple[Course, str]]:
    """Return the rows not yet found whose drop has left its usual downwards, each in a sentence."""
    if house.day.failed:
        return []
    out = []
    for one in sinking(*house.sheet):
        if house.day.counts_places(one.compartment):
            continue
        now = wording.percent(house.facts.of(Fact.DROP_RATIO, one.compartment, one.row))
        since = wording.day_in_sentence(one.since, house.day.day)
        usual = wording.percent(one.usual)
        out.append((one, f"{now} of its neighbours', usually {usual}; lower since {since}."))
    return out


def _rows_to_mend(prepared: PreparedReport) -> str:
    """Name the rows that are not cleaned as they should: DP says nothing of their bags."""
    named = []
    for house in prepared.baghouses:
        of_dust = {mark for r in house.rules if r.chapter is Chapter.DUST for mark in r.marks}
        rows = {place: mark for place, mark in house.found_rows.items() if mark not in of_dust}
        if rows:
            named.append(f"{wording.escape(house.day.baghouse.id)}, {wording.places(rows)}")
    return f"**Mend these rows before bags are blamed:** {'; '.join(named)}." if named else ""
