"""The nightly run: take in the inbox, judge every complete day not yet judged, report, mail."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING

from rowcall.days import day_bounds, local_day
from rowcall.errors import StoreError
from rowcall.mail.notice import Notice
from rowcall.runs.due import Due, Tried, days_to_judge, left_out, newest_new
from rowcall.runs.lock import hold_site
from rowcall.runs.mailing.post import mail_night
from rowcall.runs.moved import moved_days
from rowcall.runs.notices import Night, carried, dated, new_store, notices_of, unreported
from rowcall.runs.result import Progress, RunResult, reporting_what_was_done
from rowcall.site import Sample, Site, Tag
from rowcall.store import Store
from rowcall.store.archive.moving import archive_days
from rowcall.store.aside import largely_aside
from rowcall.store.ledger import days_touched, last_times
from rowcall.store.nights.judgements import failed_days, judged_days
from rowcall.store.nights.said import (
    mails_failed,
    mails_given_up,
    mails_unsure,
    read_notices,
    save_notices,
)
from rowcall.take_in import Outcome, find_exports, taking_in
from rowcall.take_in.outcome import UNKNOWN_TAG
from rowcall.work_log.read_log import read_work_log

if TYPE_CHECKING:
    from rowcall.runs.record import Record

# All chosen.
_MIN_ASIDE = 0.01  # share of a file's rows; a line or two too odd to read are nobody's concern
_TAG_DAYS = 3  # a tag that none of the last days with data brought is missing
_REPORT_DAYS = timedelta(days=30)  # older report folders are taken as cleared away
_MAIL_DAYS = timedelta(days=7)  # of a mail whose fate is unknown; older ones matter to nobody


def run_nightly(
    site: Site,
    *,
    now: datetime,
    wait_s: float,
    settle_s: float,
    progress: Progress,
    workers: int | str | None = 1,
) -> RunResult:
    """Do a night's work on a site.

    Args:
        now: the present instant (with offset); days that ended before it are complete.
        wait_s: how long to wait for another run to end.
        settle_s: a file changed less than this ago may still be written and is left for next time.
        workers: processes that study and draw; None: as many as the machine has room for; or the
            address of a Dask scheduler, whose workers do.

    Raises:
        CutShortError: nothing more could be done; it holds what had been, and that stays.
        RowcallError: nothing could be done.
    """
    begun = monotonic()

    def present() -> datetime:
        return now + timedelta(seconds=monotonic() - begun)

    result, today = RunResult(), local_day(now, site.plant.zone)
    with (
        reporting_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store) as store,
    ):
        work, log_problems = read_work_log(site, now)

        @cache
        def record() -> Record:
            from rowcall.runs.record import Record  # loads frames and rules; most nights are idle

            return Record.of(store, site, work, now, progress, result, workers)

        _notice_new_store(store, site, today)
        inbox = _take_in_inbox(store, site, present, settle_s, progress, result)
        touched = days_touched(store)
        complete = sorted(day for day in touched if day < today)
        judged = judged_days(store)
        is_log_known = bool(work.entries) or not log_problems
        moved = moved_days(store, site, work, judged, is_log_known=is_log_known, progress=progress)
        tried = Tried(judged, failed_days(store), lambda: record().settings, moved)
        due = days_to_judge(complete, touched, tried)
        for text in left_out(complete, due):
            progress(text)
        newest = max(touched, default=None)
        night = _night(store, site, now, newest, inbox, log_problems, tried, due)
        notices = _judge(store, result, record, due, notices_of(night), today)
        if judged and not result.reports and _is_index_behind(site.reports):
            record().write_index({})
        result.not_mailed += mail_night(store, site, now, notices, os.environ, progress)
        _archive_old_days(store, site, today, progress, result)
        came = result.stored or due or result.unusable or inbox.refused or inbox.problem
        owed = result.not_mailed or mails_failed(store, now - _MAIL_DAYS)
        result.is_idle = not (came or owed or result.failed)
    return result


def _archive_old_days(
    store: Store, site: Site, today: date, progress: Progress, result: RunResult
) -> None:
    """Move old samples out of the store where the site file wants it; they wait if that fails."""
    if site.archive.after_days is None:
        return
    before = today - timedelta(days=site.archive.after_days)
    try:
        moved = archive_days(store, site, before, progress)
    except StoreError as error:
        result.unusable.append(f"The archive: {error}")
        return
    if moved:
        progress(f"Archived {len(moved)} days before {before}; back the archive up too.")


def _is_index_behind(reports: Path) -> bool:
    """Return whether a run ended after a report, before it wrote the page of all days."""
    days = [path.stat().st_mtime_ns for path in reports.glob("????-??-??")]
    index = reports / "index.html"
    return bool(days) and not (index.exists() and index.stat().st_mtime_ns >= max(days))


def _judge(
    store: Store,
    result: RunResult,
    record: Callable[[], Record],
    due: Sequence[Due],
    found: Sequence[Notice],
    today: date,
) -> list[Notice]:
    """Judge what is due, with the notices in the newest report; return all that are kept."""
    before = read_notices(store)
    notices = dated(found, before, today)
    result.notices += [notice.text for notice in notices if notice.last_said == today]
    # Saved before it is so: a run killed later must not have them mailed by themselves as well.
    newest = newest_new(due)
    notices = notices if newest is None else carried(notices, newest, today)
    save_notices(store, notices)
    if due and not record().judge(due, result.notices):
        failed = unreported(result.failed[-1])
        notices = carried(dated([*found, failed], before, today), None, today)
        save_notices(store, notices)
    return notices


def _notice_new_store(store: Store, site: Site, today: date) -> None:
    """Save at once that a store is new beside reports: after take-in nothing shows it any more."""
    if days_touched(store) or read_notices(store):
        return
    days = sorted(path.parent.name for path in site.reports.glob("*/rowcall-*.md"))
    if days:
        notice = new_store(site.store.name, site.reports.name, days)
        save_notices(store, dated([notice], {}, today))


@dataclass(frozen=True, slots=True)
class _Inbox:
    """Why nothing could be taken in, empty where it was, and the message on each file refused."""

    problem: str = ""
    refused: Sequence[str] = ()


def _take_in_inbox(
    store: Store,
    site: Site,
    present: Callable[[], datetime],
    settle_s: float,
    progress: Progress,
    result: RunResult,
) -> _Inbox:
    """Take in file by file, each at its own instant, and enter into `result` what came of it.

    Another run may have been waited for, and many files take long: seen from the start of the
    run, a file that is growing now would lie in the future and pass for finished.
    """
    if not site.inbox.is_dir():
        return _Inbox(f"{site.inbox}: the inbox folder does not exist")
    try:
        found = find_exports(site.inbox, site.take_in.files)
        exports = [path for path in found if path != site.work_log]
    except OSError as error:
        reason = error.strerror or error
        return _Inbox(f"{site.inbox}: the inbox cannot be listed ({reason})")
    refused = []
    progress(f"Inbox {site.inbox.name}: {len(exports)} files.")
    for one in taking_in(
        store, site, exports, present=present, settle_s=settle_s, progress=progress
    ):
        result.stored += one.outcome is Outcome.STORED
        if one.outcome is Outcome.REFUSED:
            refused.append(one.message)
        elif one.outcome is Outcome.WAITING:
            result.unusable.append(one.message)
    return _Inbox(refused=refused)


def _night(
    store: Store,
    site: Site,
    now: datetime,
    newest: date | None,
    inbox: _Inbox,
    log_problems: Sequence[str],
    tried: Tried,
    due: Sequence[Due],
) -> Night:
    """Return what is known before days are judged; `newest` is the last day with data."""
    today = local_day(now, site.plant.zone)
    midnight, _ = day_bounds(today, site.plant.zone)
    missing, strangers = _tags(last_times(store), site, newest)
    kept = {day for day in tried.judged if day >= today - _REPORT_DAYS} - {one.day for one in due}
    return Night(
        inbox_problem=inbox.problem,
        newest=newest,
        yesterday=today - timedelta(days=1),
        refused=inbox.refused,
        work_log=log_problems,
        aside=largely_aside(store, midnight, _MIN_ASIDE, intended=UNKNOWN_TAG),
        missing=missing,
        strangers=strangers,
        without_report=[
            day for day in sorted(kept) if not (site.reports / day.isoformat()).is_dir()
        ],
        mails_unsure=mails_unsure(store, now - _MAIL_DAYS),
        mails_given_up=mails_given_up(store, now - _MAIL_DAYS),
    )


def _tags(
    came: Mapping[str, datetime], site: Site, newest: date | None
) -> tuple[list[Tag], list[str]]:
    """Return the tags of the site file that the last days lack, and the names they have beside.

    A tag recorded on change may hold for long, so it lacks only where it never came.
    """
    if newest is None:
        return [], []
    start, _ = day_bounds(newest - timedelta(days=_TAG_DAYS - 1), site.plant.zone)
    recent = {name for name, last in came.items() if last >= start}
    wanted = {tag.tag: tag for house in site.baghouse for tag in house.on(newest).tag}
    missing = [
        tag
        for name, tag in wanted.items()
        if name not in (came if tag.sample is Sample.ON_CHANGE else recent)
    ]
    return missing, sorted(recent - {tag.tag for house in site.baghouse for tag in house.tag})
