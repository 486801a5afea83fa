"""A rerun: any range of days judged again, with other settings, into another folder.

The store is only read: the nightly record stays as it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

from rowcall.days import days_from
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.errors import RowcallError
from rowcall.model import Verdict
from rowcall.runs.judge import HISTORY_DAYS, judge_day, with_day
from rowcall.runs.lock import hold_site
from rowcall.runs.nightly import Progress, unusable_parts, write_pictured
from rowcall.runs.result import RunResult, telling_what_was_done
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.ledger import files_of_day
from rowcall.store.results import found_before, read_history


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
    if last < first:
        raise RowcallError(f"--to {last} lies before --from {first}; give the earlier day first.")
    nightly = site.reports.resolve()
    if folder.resolve() == nightly or nightly in folder.resolve().parents:
        raise RowcallError(
            f"--out {folder} lies in the folder of the nightly reports, which a rerun never "
            "touches; name another folder."
        )
    rules = load_rules()
    limits = limits_in_force(rules, site.rules)
    result = RunResult()
    days = days_from(first, last)
    with (
        telling_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store, read_only=True) as store,
    ):
        before = {
            house.id: read_history(store, house.id, first, HISTORY_DAYS) for house in site.baghouse
        }
        found = dict(found_before(store, first, HISTORY_DAYS))
        for number, day in enumerate(days, start=1):
            progress(f"Judging {day.isoformat()} again ({number} of {len(days)}).")
            report = judge_day(
                store,
                site,
                day,
                rules,
                limits,
                history_of=lambda house: before[house.id],
                found_before=found,
                files=files_of_day(store, day),
                changed_settings=settings,
                revision=1,
            )
            result.reports.append(write_pictured(folder, report))
            result.unusable += unusable_parts(report)
            found[day] = {
                (finding.rule, finding.answer.subject)
                for finding in report.findings
                if finding.answer.verdict is Verdict.FOUND
            }
            for house in report.baghouses:
                before[house.baghouse.id] = with_day(
                    before[house.baghouse.id], house, report.findings
                )
    return result
