"""A rerun: any range of days judged again, with other settings, into another folder.

The store is only read: the nightly record stays as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

from rowcall.day_report import DayReport
from rowcall.days import days_from
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.errors import RowcallError
from rowcall.guard import Guard
from rowcall.model import History, Subject, Verdict
from rowcall.runs.judge import HISTORY_DAYS, judge_day, with_day
from rowcall.runs.lock import hold_site
from rowcall.runs.past import read_past
from rowcall.runs.record import enter_day, write_pictured
from rowcall.runs.result import Progress, RunResult, reporting_what_was_done
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.results import carried, found_before


@dataclass(slots=True)
class _Past:
    """What lies before the day that is judged next: as the nightly runs judged it, then as here.

    Attributes:
        history: by baghouse id, as of `BaghouseDay`.
        found: by day, the rules and subjects found.
    """

    history: dict[str, History]
    found: dict[date, set[tuple[str, Subject]]]

    @classmethod
    def before(cls, store: Store, site: Site, first: date) -> _Past:
        """Return what the store holds of the days before `first`."""
        history = {
            house.id: read_past(store, house, first, HISTORY_DAYS) for house in site.baghouse
        }
        return cls(history, dict(found_before(store, first, HISTORY_DAYS)))

    def add(self, report: DayReport | None, guard: Guard) -> None:
        """Let a day count as past for the days after it; its report is None where it failed."""
        before = self.found.get(guard.day - timedelta(days=1), set())
        found = {key for failure in guard.failures for key in carried(before, failure)}
        self.found[guard.day] = found
        if report is None:
            return
        found |= {
            (finding.rule, finding.answer.subject)
            for finding in report.findings
            if finding.answer.verdict is Verdict.FOUND
        }
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
    result, days = RunResult(), days_from(first, last)
    with (
        reporting_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store, read_only=True) as store,
    ):
        past = _Past.before(store, site, first)
        for number, day in enumerate(days, start=1):
            progress(f"Judging {day.isoformat()} again ({number} of {len(days)}).")
            guard = Guard(day, isolates=True)

            def judge(guard: Guard = guard) -> tuple[DayReport, Path]:
                report = judge_day(
                    store,
                    site,
                    guard.day,
                    rules,
                    limits,
                    history_of=lambda house: past.history[house.id],
                    found_before=past.found,
                    guard=guard,
                    changed_settings=settings,
                )
                return report, write_pictured(folder, report, guard)

            past.add(enter_day(result, guard, judge), guard)
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
