"""What is wrong with a log though each of its lines can be read: an end without its begin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import date, datetime

from rowcall.work_log.problem import Column, Problem
from rowcall.work_log.work import Work, WorkEntry

_BEGINS = {Work.OUTAGE_ENDED: Work.OUTAGE_BEGUN, Work.ON: Work.OFF}


def without_begin(entries: Iterable[WorkEntry]) -> Iterator[Problem]:
    """Yield each end of an outage, or "on again", before which nothing had begun at its place."""
    open_: list[WorkEntry] = []
    for entry in sorted(entries, key=_in_order):
        if entry.work in _BEGINS.values():
            open_.append(entry)
        elif begin := _BEGINS.get(entry.work):
            same = [one for one in open_ if one.work is begin]
            if not any(one.covers(entry.subject) or entry.covers(one.subject) for one in same):
                text = (
                    f'"{entry.work}", and no line before it says "{begin}" of this place; add that '
                    "line, or correct time or place."
                )
                yield Problem(text, Column.WORK, entry.line)
            open_ = [one for one in open_ if one not in same or not entry.covers(one.subject)]


def _in_order(entry: WorkEntry) -> tuple[date, bool, datetime, int]:
    """Order entries as they were meant: of a day without a clock time, ends come last."""
    is_late = entry.work in _BEGINS and not entry.is_timed
    return entry.day, is_late, entry.at, entry.line
