"""The nightly record: days judged, reported and kept, each whole or not at all."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Self

from rowcall.day_report import DayReport
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.guard import WHOLE_DAY, Guard
from rowcall.model import Limits, Rule
from rowcall.runs.due import Due
from rowcall.runs.judge import HISTORY_DAYS, changes_since, judge_day, settings_hash
from rowcall.runs.past import read_past
from rowcall.runs.result import Progress, RunResult
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.ledger import files_of_day
from rowcall.store.nights.judgements import Judged, failed_days, judged_days
from rowcall.store.results import found_before, save_day, save_failures, verdicts_of


@dataclass(frozen=True, slots=True)
class Record:
    """The record of a site, to which judged days are added.

    Attributes:
        settings: fingerprint of what decides a verdict besides the data.
        result: what the run did; the days are entered into it.
    """

    store: Store
    site: Site
    rules: Sequence[Rule]
    limits: Mapping[str, Limits]
    settings: str
    now: datetime
    progress: Progress
    result: RunResult

    @classmethod
    def of(
        cls, store: Store, site: Site, now: datetime, progress: Progress, result: RunResult
    ) -> Self:
        """Return the record of a site with the rules and limits in force."""
        rules = load_rules()
        limits = limits_in_force(rules, site.rules)
        return cls(store, site, rules, limits, settings_hash(site, limits), now, progress, result)

    def judge(self, due: Sequence[Due], notices: Sequence[str] = ()) -> bool:
        """Judge days, oldest first; one that fails costs itself.

        Returns whether there is a report of the newest day, with the notices in it.
        """
        report = None
        for number, one in enumerate(due, start=1):
            self.progress(f"Judging {one.day.isoformat()} ({number} of {len(due)}).")
            judged = Judged(one.file_id, self.settings, one.revision, self.now)
            guard = Guard(one.day, isolates=True)
            said = tuple(notices) if number == len(due) else ()
            step = partial(self._judge_and_keep, judged, guard, said)
            report = enter_day(self.result, guard, step)
            if report is None:
                with self.store.keeping(f"how {one.day} failed"):
                    save_failures(self.store, one.day, guard.failures, judged)
        return report is not None

    def _judge_and_keep(
        self, judged: Judged, guard: Guard, notices: tuple[str, ...]
    ) -> tuple[DayReport, Path]:
        """Judge a day, write its report, then save its results: a day is judged when both are."""
        store, site, day = self.store, self.site, guard.day
        report = judge_day(
            store,
            site,
            day,
            self.rules,
            self.limits,
            history_of=lambda house: read_past(store, house, day, HISTORY_DAYS),
            found_before=found_before(store, day, HISTORY_DAYS),
            guard=guard,
            revision=judged.revision,
        )
        report = replace(report, notices=notices)
        if judged.revision > 1:
            changes = changes_since(verdicts_of(store, day), report.findings)
            before = judged_days(store)[day]
            report = replace(
                report,
                changes=changes,
                new_files=tuple(files_of_day(store, day, after=before.file_id)),
                settings_differ=before.settings_hash != judged.settings_hash,
                had_failed=day in failed_days(store),
            )
            judged = replace(judged, verdicts_changed=bool(changes))
        folder = write_pictured(site.reports, report, guard)
        with store.keeping(f"the results of {day}"):
            save_day(store, day, report.baghouses, report.findings, judged)
            save_failures(store, day, guard.failures, judged)
        return report, folder


def enter_day(
    result: RunResult, guard: Guard, judge: Callable[[], tuple[DayReport, Path]]
) -> DayReport | None:
    """Enter into `result` what came of judging a day; None where it could not be reported."""
    done = guard.run("", WHOLE_DAY, judge, lambda why: None)
    result.failed += [f"{guard.day.isoformat()}, {failure.text}" for failure in guard.failures]
    if done is None:
        return None
    report, folder = done
    result.reports.append(folder)
    result.unusable += _unusable_parts(report)
    return report


def _unusable_parts(report: DayReport) -> list[str]:
    """Return a sentence for every tag (or whole day) of a report that cannot be used as stated."""
    out = []
    for house in (house for house in report.baghouses if not house.failed):
        place = f"{report.day.isoformat()}, {house.baghouse.id}"
        if not house.signals:
            out.append(f"{place}: no usable data on this day.")
            continue
        out += [
            f"{place}: tag {tag.tag}: {text}."
            for tag in house.health
            for text in (tag.problem, tag.note)
            if text
        ]
    return out


def write_pictured(folder: Path, report: DayReport, guard: Guard) -> Path:
    """Draw and write a day's report; return its folder."""
    from rowcall_reports.figures.all_pictures import draw
    from rowcall_reports.write import write_report

    return write_report(folder, report, draw(report, guard), guard)
