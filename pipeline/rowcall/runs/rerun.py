"""A rerun: any range of days judged again, with other settings, into another folder.

The store is only read: the nightly record stays as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from rowcall.day_report import DayReport
from rowcall.days import days_from
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.errors import RowcallError
from rowcall.guard import Guard
from rowcall.model import Finding, History, Subject, Verdict
from rowcall.progress import Step
from rowcall.runs.due import HISTORY_DAYS
from rowcall.runs.judge import judge_day, with_day
from rowcall.runs.lock import hold_site
from rowcall.runs.past import read_past
from rowcall.runs.record import enter_day, write_pictured
from rowcall.runs.result import Progress, RunResult, reporting_what_was_done
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.results import answers_before
from rowcall.work_log.read_log import read_work_log


@dataclass(slots=True)
class _Past:
    """What lies before the day that is judged next: as the nightly runs judged it, then as here.

    Attributes:
        history: by baghouse id, as of `BaghouseDay`.
        answers: of the days judged here.
    """

    history: dict[str, History]
    answers: list[Finding] = field(default_factory=list)

    def found_places(self) -> set[Subject]:
        """Return the places where anything was found on the days judged here."""
        found = (one.answer for one in self.answers if one.answer.verdict is Verdict.FOUND)
        return {answer.subject for answer in found}

    def add(self, report: DayReport | None) -> None:
        """Let a day count as past for the days after it; its report is None where it failed."""
        if report is None:
            return
        self.answers += report.findings
        for day in report.baghouses:
            name = day.baghouse.id
            self.history[name] = with_day(self.history[name], day, report.findings)


def run_rerun(
    site: Site,
    *,
    first: date,
    last: date,
    folder: Path,
    settings: Mapping[str, str],
    now: datetime,
    wait_s: float,
    progress: Progress,
) -> RunResult:
    """Judge the days from `first` to `last` and write their reports into `folder`.

    Days before the range count as history as the nightly runs judged them; days inside it as
    judged here.

    Raises:
        CutShortError: the disk failed after some reports were written.
        RowcallError: the folder is the nightly record's, the range is empty, or the store is busy.
    """
    _check(site, first, last, folder)
    rules = load_rules()
    limits = limits_in_force(rules, site.rules)
    work, problems = read_work_log(site, now)
    result, days = RunResult(notices=list(problems)), days_from(first, last)
    with (
        reporting_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store, read_only=True) as store,
    ):
        past = _Past(
            {house.id: read_past(store, house, first, HISTORY_DAYS) for house in site.baghouse}
        )
        for number, day in enumerate(days, start=1):
            text = f"Judging {day.isoformat()} again ({number} of {len(days)})."
            progress(Step(text, number, len(days)))
            guard = Guard(day, isolates=True)

            def judge(guard: Guard = guard) -> tuple[DayReport, Path]:
                report = judge_day(
                    store,
                    site,
                    guard.day,
                    rules,
                    limits,
                    history_of=lambda house: past.history[house.id],
                    answers_before=lambda places: [
                        *answers_before(store, first, past.found_places() | set(places)),
                        *past.answers,
                    ],
                    work=work,
                    guard=guard,
                    changed_settings=settings,
                )
                return report, write_pictured(folder, report, guard)

            past.add(enter_day(result, guard, judge))
    return result


def _check(site: Site, first: date, last: date, folder: Path) -> None:
    """Refuse an empty range, and the folder of the nightly reports.

    Raises:
        RowcallError: names the argument.
    """
    if last < first:
        raise RowcallError(f"--to {last} lies before --from {first}; give the earlier day first.")
    nightly = site.reports.resolve()
    if folder.resolve() == nightly or nightly in folder.resolve().parents:
        raise RowcallError(
            f"--out {folder} lies in the folder of the nightly reports, which a rerun never "
            "touches; name another folder."
        )
