"""What is said of a job: its heading, its number, since when, its steps, what is behind it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from rowcall.model import ISOLATED, BaghouseDay, Check, RankedCause, Repair
from rowcall.site import Role
from rowcall_reports import wording
from rowcall_reports.actions import Job, places_of

_LIKELY = 0.5  # chosen: below it the cause is one among others


def heading(job: Job) -> str:
    """Return the heading of a job on its baghouse's page, as plain text."""
    return f"{job.rule.title}: {job.place}"


def number(job: Job) -> str:
    """Return the numbers of its cases, each row's by its name; '' where a case has none."""
    numbers = [
        (found.answer.subject.row, case.number)
        for found in job.findings
        for case in job.cases
        if case.subject == found.answer.subject and case.number
    ]
    if len(numbers) < len(job.findings):
        return ""
    if len({text for _, text in numbers}) == 1:
        text = numbers[0][1]
    else:
        text = ", ".join(f"row {row}: {text}" for row, text in numbers)
    return wording.escape(f"{text[0].upper()}{text[1:]}.")


def since(firsts: Sequence[date], day: date, *, counted: bool = False) -> str:
    """Return the first day, or the earliest and the latest where rows of a job differ.

    counted: say too which day of it this is.
    """
    shown = dict.fromkeys(
        "New"
        if first >= day
        else f"Since {wording.day_in_sentence(first, day)}"
        + f" (day {(day - first).days + 1})" * counted
        for first in (min(firsts), max(firsts))
    )
    return " to ".join(shown).replace("to Since", "to since")


def solenoids(day: BaghouseDay, job: Job) -> list[str]:
    """Return the tags of the solenoids of a job's rows."""
    subjects = [found.answer.subject for found in job.findings]
    places = {(one.compartment, one.row) for one in subjects if not one.is_place}
    return [
        tag.tag
        for tag in day.health
        if tag.role is Role.ROW_SOLENOID and (tag.compartment, tag.row) in places
    ]


def steps(job: Job) -> tuple[str, str]:
    """Return what can be done from outside and what needs isolation, '' where there is nothing."""
    outside, _, isolated = job.first.answer.action.partition(ISOLATED)
    return outside.strip(), isolated.strip()


def behind(job: Job) -> Iterator[str]:
    """Yield what is likely behind it, what was done about it, and what it accounts for."""
    for group in wording.grouped(job.cases, lambda case: case.causes[:1] and case.causes[0].name):
        if len(group[0].causes) > 1:
            which = f" ({places_of([case.subject for case in group])})" * (len(job.cases) > 1)
            yield f"Likely{which}: {'; '.join(_causes(group[0].causes))}."
    for case in job.cases:
        yield from (wording.escape(repair_text(repair)) for repair in case.repairs)
        others = dict.fromkeys(one.text for one in case.explains)
        yield from (wording.escape(f"{text[0].upper()}{text[1:]}.") for text in others)


def _causes(causes: Sequence[RankedCause]) -> list[str]:
    """Return the first cause and, where it is one among others, the second."""
    return [cause(one) for one in causes[: 1 if causes[0].probability > _LIKELY else 2]]


def cause(one: RankedCause) -> str:
    """Return a cause, with its probability where trials stand behind it."""
    share = f" ({wording.percent(one.probability)})" if one.is_measured else ""
    return wording.escape(one.title) + share


def repair_text(repair: Repair) -> str:
    """Return what was done, and what the data say of it."""
    if repair.check is Check.WAITING:
        done = f"{repair.entry.work.value} on {repair.entry.day.isoformat()}"
        return f"{done[0].upper()}{done[1:]}; whether it helped is not yet seen."
    return f"{repair.text[0].upper()}{repair.text[1:]}."
