"""Judged days that rest on a past, or on a work log, that is another one now."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from datetime import date, timedelta
from typing import TYPE_CHECKING

from rowcall.runs.due import HISTORY_DAYS
from rowcall.runs.result import Progress
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.nights.basis import days_of_another_past, work_known

if TYPE_CHECKING:
    from rowcall.model import WorkLog

LOG_DAYS = HISTORY_DAYS  # chosen: older days are judged again on request only


def moved_days(
    store: Store,
    site: Site,
    work: WorkLog | None,
    judged: Collection[date],
    *,
    is_log_known: bool,
    progress: Progress,
) -> set[date]:
    """Return the judged days that are to be looked at again, because of what they rest on.

    Args:
        work: None where the site file names no work log.
        is_log_known: the log could be read; one that could not moves nothing.
    """
    days = set(days_of_another_past(store, [house.id for house in site.baghouse], HISTORY_DAYS))
    if is_log_known:
        by_log, older = moved_by_log(work_known(store), judged, _fingerprints(work, site))
        for text in older:
            progress(text)
        days |= by_log
    return days


def _fingerprints(work: WorkLog | None, site: Site) -> Callable[[date], str]:
    if work is None:
        return lambda day: ""
    from rowcall.runs.judge import work_fingerprint  # loads every rule

    return lambda day: work_fingerprint(work, site, day)


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
