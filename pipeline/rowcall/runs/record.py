"""The nightly record: days judged, reported and kept, each whole or not at all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import partial
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Self

from rowcall.day_report import DayReport
from rowcall.days import day_bounds
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.guard import WHOLE_DAY, Guard
from rowcall.model import Case, Limits, Rule, WorkLog
from rowcall.progress import Step
from rowcall.runs.due import HISTORY_DAYS, Due, newest_new
from rowcall.runs.judge import changes_since, followed_rules, judge_day, settings_hash
from rowcall.runs.moved import work_fingerprint
from rowcall.runs.parallel.ahead import Ahead, Drawing
from rowcall.runs.past import all_cases_stored, read_past
from rowcall.runs.result import Progress, RunResult
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.ledger import files_of_day
from rowcall.store.nights.basis import days_of_another_past, renew_basis, save_basis
from rowcall.store.nights.judgements import Judged, failed_days, judged_days
from rowcall.store.nights.past_answers import PastAnswers
from rowcall.store.results import (
    holds,
    said_by_day,
    save_day,
    save_failures,
    verdicts_of,
)

if TYPE_CHECKING:
    from rowcall_reports.index.index_data import IndexData


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
    work: WorkLog
    now: datetime
    progress: Progress
    result: RunResult
    ahead: Ahead

    @classmethod
    def of(
        cls,
        store: Store,
        site: Site,
        work: WorkLog,
        now: datetime,
        progress: Progress,
        result: RunResult,
        workers: int | str | None = 1,
    ) -> Self:
        """Return the record of a site with the rules and limits in force."""
        rules = load_rules()
        limits = limits_in_force(rules, site.rules)
        settings = settings_hash(site, limits)
        ahead = Ahead.of(store, site, workers)
        return cls(store, site, rules, limits, settings, work, now, progress, result, ahead)

    def judge(
        self, due: Sequence[Due], notices: Sequence[str] = (), *, follows: bool = True
    ) -> bool:
        """Judge days, oldest first; one that fails costs itself.

        Args:
            notices: for the report of the newest day of which more is new than what it rests on.
            follows: judged days after one whose results changed are judged again too.

        Returns False where there should be such a report, with the notices in it, and is none.
        """
        report, waiting, cases = None, {one.day: one for one in due}, dict[date, list[Case]]()
        newest, n_done = newest_new(due), 0
        with self.ahead:
            while waiting:
                self.ahead.expect(sorted(waiting))
                one = waiting.pop(min(waiting))
                n_done += 1
                n_days = n_done + len(waiting)
                self.progress(Step(f"Judging {one.day} ({n_done} of {n_days}).", n_done, n_days))
                done = self._judge(one, notices if one.day == newest else ())
                report = done if one.day == newest else report
                cases = {one.day: [*done.cases, *done.closed_cases]} if done else cases
                for day in self._shaken(one.day) if follows else ():
                    waiting.setdefault(day, Due.again(day, judged_days(self.store)[day]))
        if self.result.reports:
            self.write_index(cases)
        return newest is None or report is not None

    def write_index(self, known: Mapping[date, Sequence[Case]]) -> None:
        """Write the page of all days; `known` are the cases of the day judged last, if any is."""
        from rowcall_reports.index.index_data import index_data

        store, site = self.store, self.site
        newest = max(judged_days(store))

        def make(pages: Container[str]) -> IndexData:
            work = self.work.done_by(day_bounds(newest, site.plant.zone)[1])
            cases = known.get(newest) or chain(
                *all_cases_stored(store, site, newest, work, self.rules)
            )
            return index_data(site, newest, said_by_day(store), list(cases), pages)

        enter_index(self.result, site.reports, newest, make)

    def _shaken(self, day: date) -> list[date]:
        """Return the judged days after a day that rest on other results of it than those now."""
        return days_of_another_past(self.store, self._houses, HISTORY_DAYS, day)

    @property
    def _houses(self) -> list[str]:
        return [house.id for house in self.site.baghouse]

    def _work_of(self, day: date) -> str:
        return work_fingerprint(self.work, self.site, day)

    def _judge(self, one: Due, notices: Sequence[str]) -> DayReport | None:
        judged = Judged(one.file_id, self.settings, one.revision, self.now)
        guard = Guard(one.day, isolates=True)
        step = partial(self._judge_and_keep, judged, guard, tuple(notices), one.is_recheck)
        report = enter_day(self.result, guard, step)
        if report is None:
            with self.store.keeping(f"how {one.day} failed"):
                save_failures(self.store, one.day, guard.failures, judged)
                renew_basis(self.store, one.day, self._work_of(one.day), HISTORY_DAYS)
        return report

    def _judge_and_keep(
        self, judged: Judged, guard: Guard, notices: tuple[str, ...], is_recheck: bool
    ) -> tuple[DayReport, Path | None]:
        """Judge a day, write its report, then save its results: a day is judged when both are.

        Of a recheck without notices the report before stands where no finding is another one.
        """
        store, site, day = self.store, self.site, guard.day
        report = judge_day(
            store,
            site,
            day,
            self.rules,
            self.limits,
            study=self.ahead.study,
            history_of=lambda house: read_past(store, house, day, HISTORY_DAYS),
            past=PastAnswers(store, day, followed_rules()),
            work=self.work,
            guard=guard,
            revision=judged.revision,
        )
        report = replace(report, notices=notices)
        before = judged_days(store)[day] if judged.revision > 1 else judged
        if is_recheck and not notices and holds(store, day, report.findings):
            kept = replace(before, settings_hash=judged.settings_hash)
            self._save(report, guard, kept)
            return report, None
        if judged.revision > 1:
            changes = changes_since(verdicts_of(store, day), report.findings)
            report = replace(
                report,
                changes=changes,
                new_files=tuple(files_of_day(store, day, after=before.file_id)),
                settings_differ=before.settings_hash != judged.settings_hash,
                had_failed=day in failed_days(store),
                rests_on_new=is_recheck,
            )
            judged = replace(judged, verdicts_changed=bool(changes))
        folder = write_pictured(site.reports, report, guard, self.ahead.draw(report, guard))
        self._save(report, guard, judged)
        return report, folder

    def _save(self, report: DayReport, guard: Guard, judged: Judged) -> None:
        store, day = self.store, report.day
        with store.keeping(f"the results of {day}"):
            save_day(store, day, report.baghouses, report.findings, judged)
            save_basis(store, day, self._houses, self._work_of(day), HISTORY_DAYS)
            save_failures(store, day, guard.failures, judged)


def enter_day(
    result: RunResult, guard: Guard, judge: Callable[[], tuple[DayReport, Path | None] | None]
) -> DayReport | None:
    """Enter into `result` what came of judging a day; None where it could not be reported.

    judge: returns the folder None where the report before stands, and nothing where the day had
        failed before.
    """
    done = guard.run("", WHOLE_DAY, judge, lambda why: None)
    result.failed += [f"{guard.day.isoformat()}, {failure.text}" for failure in guard.failures]
    if done is None:
        return None
    report, folder = done
    result.judged += 1
    result.newest, result.to_do = report.day, _to_do(report)
    if folder is not None:
        result.reports.append(folder)
        result.unusable += _unusable_parts(report)
    return report


def enter_index(
    result: RunResult,
    folder: Path,
    newest: date,
    make: Callable[[Container[str]], IndexData],
) -> None:
    """Write the page of all days; where it fails, `result` says so and the reports stand.

    make: returns what it says, given the pages in the folder.
    """
    from rowcall_reports.index.index_file import write_index
    from rowcall_reports.write import ReportError

    guard = Guard(newest, isolates=True)
    try:
        guard.run("", "index", lambda: write_index(folder, make), lambda why: None)
    except ReportError as error:
        result.unusable.append(str(error))
    result.failed[:0] = [failure.text for failure in guard.failures]  # a day's own stay last


def _to_do(report: DayReport) -> Mapping[str, int]:
    """Return how many things of each urgency a report says are to be done."""
    from rowcall_reports.actions import jobs

    return Counter(job.urgency for job in jobs(report) if not job.is_explained)


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


def write_pictured(folder: Path, report: DayReport, guard: Guard, drawing: Drawing) -> Path:
    """Write a day's report with its pictures; return its folder."""
    from rowcall_reports.write import write_report

    return write_report(folder, report, drawing.pictures(), guard)
