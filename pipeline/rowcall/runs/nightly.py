"""The nightly run: take in the inbox, judge every complete day not yet judged, report, mail."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from datetime import date, datetime, timedelta
from time import monotonic

from rowcall.days import day_bounds, local_day
from rowcall.runs.due import Tried, days_to_judge, left_out
from rowcall.runs.lock import hold_site
from rowcall.runs.post import mail_reports
from rowcall.runs.record import Progress, Record
from rowcall.runs.result import RunResult, reporting_what_was_done
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.ledger import days_touched
from rowcall.store.results import (
    failed_days,
    judged_days,
)
from rowcall.take_in import Outcome, find_exports, taking_in


def run_nightly(
    site: Site, *, now: datetime, wait_s: float, settle_s: float, progress: Progress
) -> RunResult:
    """Do a night's work on a site.

    Args:
        now: the present instant (with offset); days that ended before it are complete.
        wait_s: how long to wait for another run to end.
        settle_s: a file changed less than this ago may still be written and is left for next time.

    Raises:
        CutShortError: nothing more could be done; it holds what had been, and that stays.
        RowcallError: nothing could be done.
    """
    begun = monotonic()

    def present() -> datetime:
        return now + timedelta(seconds=monotonic() - begun)

    result = RunResult()
    with (
        reporting_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store) as store,
    ):
        record = Record.of(store, site, now, progress, result)
        _take_in_inbox(store, site, present, settle_s, progress, result)
        touched = days_touched(store)
        complete = sorted(day for day in touched if day_bounds(day, site.plant.zone)[1] <= now)
        tried = Tried(judged_days(store), failed_days(store), record.settings)
        due = days_to_judge(complete, touched, tried)
        for text in left_out(complete, due):
            progress(text)
        record.judge(due)
        result.unusable += _stale(max(touched, default=None), site, now)
        result.not_mailed += mail_reports(store, site, now, os.environ, progress)
    return result


def _take_in_inbox(
    store: Store,
    site: Site,
    present: Callable[[], datetime],
    settle_s: float,
    progress: Progress,
    result: RunResult,
) -> None:
    """Take in file by file, each at its own instant, and enter into `result` what came of it.

    Another run may have been waited for, and many files take long: seen from the start of the
    run, a file that is growing now would lie in the future and pass for finished.
    """
    if not site.inbox.is_dir():
        text = f"{site.inbox}: the inbox folder does not exist; nothing was taken in."
        result.unusable.append(text)
        return
    try:
        exports = find_exports(site.inbox, site.take_in.files)
    except OSError as error:
        reason = error.strerror or error
        text = f"{site.inbox}: the inbox cannot be listed ({reason}); nothing was taken in."
        result.unusable.append(text)
        return
    progress(f"Inbox {site.inbox.name}: {len(exports)} files.")
    for one in taking_in(
        store, site, exports, present=present, settle_s=settle_s, progress=progress
    ):
        result.stored += one.outcome is Outcome.STORED
        if one.outcome in (Outcome.REFUSED, Outcome.WAITING):
            result.unusable.append(one.message)


def _stale(newest: date | None, site: Site, now: datetime) -> Iterable[str]:
    """Say so when yesterday brought nothing: the exports may have stopped."""
    yesterday = local_day(now, site.plant.zone) - timedelta(days=1)
    if newest is None:
        return ["No sample has been taken in yet, so no day could be judged."]
    if newest < yesterday:
        return [
            f"No data newer than {newest.isoformat()} has arrived (yesterday was "
            f"{yesterday.isoformat()}): do the exports still run?"
        ]
    return []
