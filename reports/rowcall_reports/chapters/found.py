"""What was found of a baghouse, job by job, with all that was seen of it."""

from __future__ import annotations

from collections.abc import Collection, Iterator

from rowcall.model import ISOLATED, Finding
from rowcall_reports import actions, job_words, wording
from rowcall_reports.actions import Job
from rowcall_reports.page_links import link
from rowcall_reports.prepared import PreparedDay
from rowcall_reports.row_marks import Place


def write_found(baghouse: PreparedDay, pictured: Collection[Place] = ()) -> str:
    """Return each job with its reasons, period, steps, first checks and what to rule out.

    pictured: rows whose stacked pulses a picture shows.
    """
    return "\n\n".join("\n".join(_job(baghouse, job, pictured)) for job in baghouse.jobs)


def _job(baghouse: PreparedDay, job: Job, pictured: Collection[Place]) -> Iterator[str]:
    urgency = f"**{job.urgency[0].upper()}{job.urgency[1:]}.**"
    since = f"{job_words.since(job.since, baghouse.day.day, counted=True)}."
    yield f"### {wording.escape(job_words.heading(job))}\n"
    yield " ".join(filter(None, (urgency, job_words.number(job), since))) + "\n"
    for found in job.findings:
        yield f"- {_row(found)}{wording.escape(found.answer.text)}"
    answer, (outside, isolated) = job.first.answer, job_words.steps(job)
    seen = wording.period(answer.start, answer.end, baghouse.day.zone)
    tags = ", ".join(job_words.solenoids(baghouse.day, job))
    yield from [f"- Solenoid: {wording.escape(tags)}"] * bool(tags)
    yield from [f"- Seen: {seen}"] * bool(seen)
    yield from [f"- From outside: {wording.escape(outside)}"] * bool(outside)
    yield from [f"- {wording.escape(ISOLATED + isolated)}"] * bool(isolated)
    yield from (f"- {line}" for line in job_words.behind(job))
    if job.is_explained:
        others = {name for case in job.cases for name in case.explained_by}
        yield f"- Accounted for by: {wording.escape(', '.join(sorted(others)))}"
    if job.rule.check_first:
        yield f"- Check first: {'; '.join(map(wording.escape, job.rule.check_first))}"
    if job.rule.confused_with:
        yield f"- Rule out: {wording.escape(job.rule.confused_with)}"
    yield f"- Numbers: {link(job.rule.chapter.value, '', job.rule.chapter.value)}" + _pictures(
        job, pictured
    )


def _pictures(job: Job, pictured: Collection[Place]) -> str:
    """Refer to the picture of stacked pulses where it shows rows of the job."""
    subjects = [found.answer.subject for found in job.findings]
    shown = [one for one in subjects if (one.compartment, one.row) in pictured]
    if job.mark is None or not shown:
        return ""
    which = "" if len(shown) == len(subjects) else f" of {actions.places_of(shown)}"
    return f"; its pulses against the peers'{which}: the picture of stacked pulses there"


def _row(found: Finding) -> str:
    subject = found.answer.subject
    return f"{actions.word_of(subject).capitalize()} {subject.row}: " if subject.row else ""
