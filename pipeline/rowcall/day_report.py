"""What a report is made from: the judged day of a whole plant, as plain nouns."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Self

from rowcall.file_note import FileNote
from rowcall.model import BaghouseDay, Case, Finding, Limits, Rule, Subject, Verdict, WorkLog
from rowcall.site import Site


@dataclass(frozen=True, slots=True)
class Change:
    """A verdict that differs from the report before; None where there was, or is, none."""

    rule: str
    subject: Subject
    before: Verdict | None
    now: Verdict | None


@dataclass(frozen=True, slots=True, kw_only=True)
class DayReport:
    """Everything one day's report says.

    limits: for each rule name, the thresholds in force (inside units).
    changed_settings: settings that differ from the site file (reruns), key -> text.
    revision: 1 for the first report of a day, 2 for the next (new data, or parts had failed), ...
    changes: for a later revision, the verdicts that differ from the report before.
    notices: what the night that wrote it must say besides, in plain sentences.
    settings_differ, had_failed: for a later revision, whether the report before had other settings,
        or parts that failed.
    rests_on_new: for a later revision, whether only the days before it, or the work log, are new.
    cases: as of the end of the day; those closed on earlier days are in `closed_cases`.
    work: the work log up to the end of the day.
    new_files: for a later revision, those of `files` that were taken in since.
    """

    site: Site
    day: date
    baghouses: tuple[BaghouseDay, ...]
    findings: tuple[Finding, ...]
    rules: tuple[Rule, ...]
    limits: Mapping[str, Limits]
    files: tuple[FileNote, ...] = ()
    changed_settings: Mapping[str, str] = field(default_factory=dict)
    revision: int = 1
    changes: tuple[Change, ...] = ()
    new_files: tuple[FileNote, ...] = ()
    settings_differ: bool = False
    had_failed: bool = False
    rests_on_new: bool = False
    notices: tuple[str, ...] = ()
    cases: tuple[Case, ...] = ()
    closed_cases: tuple[Case, ...] = ()
    work: WorkLog = field(default_factory=WorkLog)

    def of(self, houses: Collection[str]) -> Self:
        """Return the report of some baghouses only, with what concerns the whole plant."""
        wanted = {*houses, ""}
        return replace(
            self,
            baghouses=tuple(day for day in self.baghouses if day.baghouse.id in wanted),
            findings=tuple(f for f in self.findings if f.answer.subject.baghouse in wanted),
            cases=tuple(case for case in self.cases if case.subject.baghouse in wanted),
            changes=tuple(one for one in self.changes if one.subject.baghouse in wanted),
        )

    def case_of(self, finding: Finding) -> Case | None:
        """Return the case that something found on the day belongs to, None where it has none."""
        # By place and rule: numbers that are not known are never equal.
        key = finding.rule, finding.answer.subject
        return next(
            (
                case
                for case in self.cases
                if case.found_today
                and key in {(one.rule, one.answer.subject) for one in case.findings}
            ),
            None,
        )
