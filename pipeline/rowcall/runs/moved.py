"""Judged days that rest on a past, or on a work log, that is another one now."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping
from datetime import date, timedelta

from rowcall.days import day_bounds
from rowcall.runs.due import HISTORY_DAYS
from rowcall.runs.result import Progress
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.nights.basis import days_of_another_past, work_known
from rowcall.work_log.work import Work, WorkLog

_BEARS_FOR = timedelta(days=HISTORY_DAYS + 7)  # bags are changed row by row in a week
_NOT_MOVING = (Work.NOTE, Work.INSPECTED, Work.OUTAGE_PLANNED)  # the last is asked for apart
LOG_DAYS = HISTORY_DAYS  # chosen: older days are judged again on request only


def moved_days(
    store: Store,
    site: Site,
    work: WorkLog,
    judged: Collection[date],
    *,
    is_log_known: bool,
    progress: Progress,
) -> set[date]:
    """Return the judged days that are to be looked at again, because of what they rest on.

    Args:
        is_log_known: the log could be read; one that could not moves nothing.
    """
    days = set(days_of_another_past(store, [house.id for house in site.baghouse], HISTORY_DAYS))
    if is_log_known:
        by_log, older = moved_by_log(
            work_known(store), judged, lambda day: work_fingerprint(work, site, day)
        )
        for text in older:
            progress(text)
        days |= by_log
    return days


def work_fingerprint(work: WorkLog, site: Site, day: date) -> str:
    """Return a short fingerprint of what the work log says that could move a day's answers.

    Empty where it says nothing of that kind. Lines move as others come in before them, and count
    only where an answer names them.
    """
    _, end = day_bounds(day, site.plant.zone)
    done = [
        [entry.at, entry.work, entry.subject, entry.position, entry.result, entry.part]
        + [entry.line] * (entry.work is Work.OFF)
        for entry in work.done_by(end)
        if entry.work in (Work.OFF, Work.ON)
        or (entry.work not in _NOT_MOVING and day - _BEARS_FOR < entry.day <= day)
    ]
    tomorrow = day + timedelta(days=1)
    outages = {work.next_outage(house.id, tomorrow) for house in site.baghouse} - {None}
    text = repr([done, sorted(map(str, outages))]) if done or outages else ""
    return text and hashlib.sha256(text.encode()).hexdigest()[:16]


def moved_by_log(
    known: Mapping[date, str], judged: Collection[date], present: Callable[[date], str]
) -> tuple[set[date], list[str]]:
    """Return the judged days of the last `LOG_DAYS` that rest on another work log than now.

    Args:
        known: fingerprint of the log by day; a day without one was judged without a log.
        present: that of the log as it is now.

    Returns also a line on older ones, in nights that judge others again.
    """
    first = max(judged) - timedelta(days=LOG_DAYS) if judged else date.min

    def moved(day: date) -> bool:
        return known.get(day, "") != present(day)

    recent = {day for day in judged if day > first and moved(day)}
    older = sorted(day for day in judged if day <= first and moved(day)) if recent else []
    return recent, [
        f"The work log bears on {len(older)} days more than {LOG_DAYS} days back too, which "
        f"stay as they were judged until: rowcall rejudge --from {day} --to {older[-1]}"
        for day in older[:1]
    ]
