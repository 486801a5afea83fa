"""Days of the nightly record judged anew from their samples, with the present site file."""

from __future__ import annotations

from datetime import date, datetime

from rowcall.errors import RowcallError
from rowcall.runs.due import Due
from rowcall.runs.lock import hold_site
from rowcall.runs.record import Record
from rowcall.runs.result import Progress, RunResult, reporting_what_was_done
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.nights.judgements import judged_days
from rowcall.work_log.read_log import read_work_log


def run_rejudge(
    site: Site,
    *,
    first: date,
    last: date,
    now: datetime,
    wait_s: float,
    progress: Progress,
    workers: int | str | None = 1,
) -> RunResult:
    """Judge the judged days from `first` to `last` again, oldest first, as further revisions.

    Each counts as history for the days after it: those after the range are judged again by the next
    nightly run, which also mails what has changed of the last days. Nothing is taken in.
    `workers` as of `run_rerun`.

    Raises:
        CutShortError: nothing more could be done; it holds what had been, and that stays.
        RowcallError: no day of the range was judged yet, or the store cannot be used.
    """
    result = RunResult()
    with (
        reporting_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store) as store,
    ):
        due = [
            Due(day, judged.file_id, judged.revision + 1)
            for day, judged in sorted(judged_days(store).items())
            if first <= day <= last
        ]
        if not due:
            raise RowcallError(f"No day from {first} to {last} has been judged; nothing was done.")
        work, problems = read_work_log(site, now)
        result.notices += problems
        record = Record.of(store, site, work, now, progress, result, workers)
        record.judge(due, follows=False)
    return result
