"""What was found as jobs: the same job on several rows is one line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from rowcall.day_report import DayReport
from rowcall.model import PRESSING, Case, Finding, RowMark, Rule, Subject, Verdict
from rowcall_reports import wording
from rowcall_reports.row_marks import mark_of


@dataclass(frozen=True, slots=True)
class Job:
    """One thing to do: findings of one rule in one compartment with one action.

    Attributes:
        since: first day of each finding's case.
        cases: of the findings, each once.
    """

    rule: Rule
    findings: tuple[Finding, ...]
    since: tuple[date, ...]
    cases: tuple[Case, ...] = ()

    @property
    def first(self) -> Finding:
        """The finding that speaks for all."""
        return self.findings[0]

    @property
    def baghouse(self) -> str:
        """Id of the baghouse."""
        return self.first.answer.subject.baghouse

    @property
    def mark(self) -> RowMark | None:
        """How its rows show in the roll call, None for what is not found of rows."""
        return mark_of(self.rule, self.first.answer.urgency)

    @property
    def urgency(self) -> str:
        """When to act, in words."""
        urgency = self.first.answer.urgency
        return urgency.value if urgency else "not stated"

    @property
    def why(self) -> str:
        """The reasons in the words of the rule, rows with the same one named together."""
        if len(self.findings) == 1:
            return wording.escape(self.first.answer.text)
        alike = wording.grouped(
            self.findings, lambda found: wording.without_numbers(found.answer.text)
        )
        return " ".join(_reason(group) for group in alike)

    @property
    def is_explained(self) -> bool:
        """Whether other cases account for all of it."""
        return bool(self.cases) and all(case.explained_by for case in self.cases)

    @property
    def place(self) -> str:
        """Compartments and rows in words."""
        return places_of([found.answer.subject for found in self.findings])


def _reason(group: Sequence[Finding]) -> str:
    """Return the first one's words with its row, and the rows of which the same is true."""
    first, *others = (found.answer.subject.row for found in group)
    word = word_of(group[0].answer.subject).capitalize()
    reason = f"{word} {first}: {wording.escape(group[0].answer.text)}"
    if not others:
        return reason
    return f"{reason} {word}{'s' if len(others) > 1 else ''} {wording.spans(others)} likewise."


def word_of(subject: Subject) -> str:
    """Return what the row number of a subject counts: rows, or places in the sequence."""
    return "place" if subject.is_place else "row"


def places_of(subjects: Sequence[Subject]) -> str:
    """Return where the subjects are, in words; they count alike, as one day's do."""
    pairs = ((subject.compartment, subject.row) for subject in subjects)
    return wording.places(pairs, word_of(subjects[0]))


def jobs(report: DayReport) -> list[Job]:
    """Return what was found as jobs, the most pressing first."""
    order = {day.baghouse.id: n for n, day in enumerate(report.baghouses)}
    rules = {rule.name: rule for rule in report.rules}
    ranked = sorted(report.findings, key=lambda item: _rank(item, order))
    found = (item for item in ranked if item.answer.verdict is Verdict.FOUND)
    return [
        _job(report, rules[group[0].rule], tuple(group))
        for group in wording.grouped(found, _job_key)
    ]


def _job(report: DayReport, rule: Rule, group: tuple[Finding, ...]) -> Job:
    cases = (report.case_of(found) for found in group)
    by_id = {case.id: case for case in cases if case is not None}
    return Job(rule, group, tuple(since(report, item) for item in group), tuple(by_id.values()))


def by_urgency(found: Iterable[Job]) -> list[Job]:
    """Return jobs in order of urgency, those of the same in the order given."""
    return sorted(found, key=lambda job: PRESSING.index(job.first.answer.urgency))


def _job_key(found: Finding) -> tuple[object, ...]:
    answer, subject = found.answer, found.answer.subject
    return answer.urgency, subject.baghouse, subject.compartment, found.rule, answer.action


def since(report: DayReport, found: Finding) -> date:
    """Return the first day of the finding's case."""
    case = report.case_of(found)
    return report.day if case is None else case.opened


def _rank(found: Finding, order: dict[str, int]) -> tuple[int, int, int, int, str]:
    subject = found.answer.subject
    return (
        PRESSING.index(found.answer.urgency),
        order.get(subject.baghouse, len(order)),
        subject.compartment,
        subject.row,
        found.rule,
    )


def title_of(rules: Iterable[Rule], name: str) -> str:
    """Return the title of a rule, or its name where the report does not hold the rule."""
    return next((rule.title for rule in rules if rule.name == name), name)
