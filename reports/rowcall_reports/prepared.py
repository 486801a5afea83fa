"""A day's report, worked out once: chapters and pictures only write and draw what stands here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property, partial

from rowcall.day_report import DayReport
from rowcall.guard import UNGUARDED, Guard
from rowcall.model import (
    BaghouseDay,
    Case,
    FactBook,
    Finding,
    RowMark,
    Rule,
    Subject,
    Verdict,
    WorkLog,
)
from rowcall_reports import fact_lookup, row_marks, wording
from rowcall_reports.actions import Job, by_urgency, jobs
from rowcall_reports.figures.row_sheet import Block, blocks
from rowcall_reports.inlet import InletTag, inlet_tags
from rowcall_reports.row_marks import Marks


@dataclass(frozen=True, kw_only=True)
class PreparedDay:
    """One baghouse on one day.

    Attributes:
        name: id and name, safe for Markdown.
        rules: those of the report, in its order.
        facts, usual: of the day, and their medians over the week before.
        marks: of every row.
        jobs: what was found, the most pressing first.
        unjudged: answers that could not be given, by rule and place.
        inlet: tags of the inlet temperature, by compartment.
        cases: open ones, and those closed on this day.
        off_days: days of the month on which the whole baghouse was off on purpose.
        is_judged: whether any check of it was found or clear.
    """

    day: BaghouseDay
    name: str
    rules: tuple[Rule, ...]
    facts: FactBook
    usual: FactBook
    marks: Marks
    jobs: tuple[Job, ...]
    unjudged: tuple[Finding, ...]
    inlet: tuple[InletTag, ...]
    cases: tuple[Case, ...] = ()
    off_days: frozenset[date] = frozenset()
    is_judged: bool = False

    @property
    def has_data(self) -> bool:
        """Any tag of the baghouse brought a point for the day, or that could not be found out."""
        return (
            bool(self.day.failed)
            or any(tag.n_points for tag in self.day.health)
            or bool(self.day.signals)
        )

    @cached_property
    def sheet(self) -> tuple[list[date], list[Block]]:
        """What the roll-call picture shows: days and a block a compartment (`row_sheet.blocks`)."""
        return blocks(self.day, self.rules, self.marks)

    @property
    def off(self) -> set[row_marks.Place]:
        """The rows that were off on purpose."""
        return {place for place, mark in self.marks.items() if mark is row_marks.OFF}

    @property
    def known_marks(self) -> tuple[RowMark, ...]:
        """Marks that the rules bring, the one that shows before all others first."""
        return row_marks.marks_of(self.rules)

    @property
    def found_rows(self) -> Marks:
        """The rows of which something was found, with their marks."""
        return {place: mark for place, mark in self.marks.items() if mark not in row_marks.PLAIN}

    @property
    def unknown_rows(self) -> int:
        """How many rows could not be judged at all."""
        return sum(mark is row_marks.UNKNOWN for mark in self.marks.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedReport:
    """A whole day's report: `jobs` are those of all baghouses, the most pressing first."""

    report: DayReport
    baghouses: tuple[PreparedDay, ...]
    jobs: tuple[Job, ...]

    @property
    def own_jobs(self) -> tuple[Job, ...]:
        """The jobs without those that others account for."""
        return tuple(job for job in self.jobs if not job.is_explained)

    @property
    def own_cases(self) -> tuple[Case, ...]:
        """The cases without those that others account for: what may be news."""
        return tuple(case for case in self.report.cases if not case.explained_by)


def prepare(report: DayReport, guard: Guard = UNGUARDED) -> PreparedReport:
    """Return everything that the report says, ready to be written and drawn.

    Of a baghouse where that fails it says only why, and none of its findings.
    """
    made = [
        guard.run(
            day.baghouse.id,
            "report",
            partial(_prepare_day, report, day),
            partial(_unprepared, report, day),
        )
        for day in report.baghouses
    ]
    failed = {
        day.baghouse.id
        for one, day in zip(made, report.baghouses, strict=True)
        if one.day is not day
    }
    kept = [item for item in report.findings if item.answer.subject.baghouse not in failed]
    cases = [case for case in report.cases if case.subject.baghouse not in failed]
    return PreparedReport(
        report=replace(report, findings=tuple(kept), cases=tuple(cases)),
        baghouses=tuple(made),
        jobs=tuple(by_urgency(job for one in made for job in one.jobs)),
    )


def _unprepared(report: DayReport, day: BaghouseDay, why: str) -> PreparedDay:
    unstudied = BaghouseDay.unstudied(day.baghouse, day.day, (day.start, day.end), day.history, why)
    return _prepare_day(replace(report, findings=(), cases=()), unstudied)


def _prepare_day(report: DayReport, day: BaghouseDay) -> PreparedDay:
    baghouse, name = day.baghouse.id, day.baghouse.name
    found = [item for item in report.findings if item.answer.subject.baghouse == baghouse]
    return PreparedDay(
        day=day,
        name=" ".join(wording.escape(part) for part in dict.fromkeys((baghouse, name))),
        rules=report.rules,
        facts=FactBook(day.facts),
        usual=fact_lookup.usual(day),
        marks={
            **row_marks.marks_today(day, report.findings, report.rules),
            **dict.fromkeys(_off(report.work, day), row_marks.OFF),
        },
        jobs=tuple(jobs(replace(report, findings=tuple(found)))),
        unjudged=tuple(_unjudged(report, baghouse)),
        inlet=inlet_tags(day),
        cases=tuple(case for case in report.cases if case.subject.baghouse == baghouse),
        off_days=frozenset(_off_days(report.work, day)),
        is_judged=any(
            one.answer.verdict is not Verdict.CANNOT_TELL
            for one in report.findings
            if one.answer.subject.baghouse == baghouse
        ),
    )


def _off_days(work: WorkLog, day: BaghouseDay) -> Iterator[date]:
    house = Subject(day.baghouse.id)
    for ago in map(timedelta, range(row_marks.SHOWN_DAYS)):
        if work.off(house, day.start - ago, day.end - ago) is not None:
            yield day.day - ago


def _off(work: WorkLog, day: BaghouseDay) -> list[row_marks.Place]:
    """Return the rows that were off on purpose."""
    return [
        place
        for place in day.baghouse.all_rows()
        if work.off(Subject(day.baghouse.id, *place), day.start, day.end) is not None
    ]


def _unjudged(report: DayReport, baghouse: str) -> list[Finding]:
    """Return what could not be judged on one baghouse, in rule and place order."""
    rank = {rule.name: n for n, rule in enumerate(report.rules)}
    chosen = [
        found
        for found in report.findings
        if found.answer.verdict is Verdict.CANNOT_TELL and found.answer.subject.baghouse == baghouse
    ]
    return sorted(chosen, key=lambda found: (rank[found.rule], found.answer.subject))
