"""Which days a night has to judge: new and changed ones, those of which a part failed, and those
that rest on a past or a work log that is another one now."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Self

import rowcall
from rowcall.days import days_from
from rowcall.store.nights.judgements import Attempt, Judged

HISTORY_DAYS = 90  # the longest window any rule looks back over

# In a row; chosen: an outage of two weeks is reported day by day, so that nobody takes it for
# quiet. A longer gap is a plant that stood still or a wrong date, which would cost a night's run.
MAX_EMPTY_DAYS = 14


@dataclass(frozen=True, slots=True)
class Due:
    """A day to judge: the newest file that touched it (0: none), and the count of its report.

    is_recheck: only what it rests on is new, or a worker was lost, so there is a report only if its
        findings change.
    """

    day: date
    file_id: int
    revision: int
    is_recheck: bool = False

    @classmethod
    def again(cls, day: date, judged: Judged) -> Self:
        """Return a judged day of which only what it rests on is new."""
        return cls(day, judged.file_id, judged.revision + 1, is_recheck=True)


def newest_new(due: Iterable[Due]) -> date | None:
    """Return the newest day that gets a report whatever is found, None without one."""
    return max((one.day for one in due if not one.is_recheck), default=None)


@dataclass(frozen=True, slots=True)
class Tried:
    """How days were judged before, what was tried of those with parts that failed.

    Attributes:
        settings: returns the fingerprint of the settings in force.
        moved: judged days that rest on other days before them, or on another work log, than now.
    """

    judged: Mapping[date, Judged]
    failed: Mapping[date, Attempt]
    settings: Callable[[], str]
    moved: Set[date] = frozenset()

    def is_due(self, day: date, file_id: int) -> bool:
        """Return whether anything is new of a day: its data, or what its failures may hang on."""
        judged, failed = self.judged.get(day), self.failed.get(day)
        known = max((one.file_id for one in (judged, failed) if one is not None), default=None)
        if known is None or file_id > known:
            return True
        if failed is None or (failed.is_lost and judged is not None):
            return False
        return (failed.version, failed.settings_hash) != (rowcall.__version__, self.settings())


def days_to_judge(complete: Sequence[date], touched: Mapping[date, int], tried: Tried) -> list[Due]:
    """Return the days that are due, oldest first.

    Args:
        complete: days with data that have ended, rising; short gaps between them may be due too.
        touched: the newest file of each day with data.
    """
    new = [
        Due(day, touched.get(day, 0), tried.judged[day].revision + 1 if day in tried.judged else 1)
        for day in _with_short_gaps(complete)
        if tried.is_due(day, touched.get(day, 0))
    ]
    lost = {day for day, failed in tried.failed.items() if failed.is_lost}
    moved = (tried.moved | lost) & tried.judged.keys() - {one.day for one in new}
    again = (Due.again(day, tried.judged[day]) for day in moved)
    return sorted([*new, *again], key=lambda one: one.day)


def _with_short_gaps(complete: Sequence[date]) -> list[date]:
    days = list(complete[:1])
    for before, day in pairwise(complete):
        days += [day] if _is_long(before, day) else days_from(before, day)[1:]
    return days


def _is_long(before: date, day: date) -> bool:
    return (day - before).days - 1 > MAX_EMPTY_DAYS


def left_out(complete: Sequence[date], due: Sequence[Due]) -> list[str]:
    """Say how many empty days beside days that are due are not judged, in one line or none."""
    days = {one.day for one in due}
    gaps = [gap for gap in pairwise(complete) if _is_long(*gap) and not days.isdisjoint(gap)]
    n_days = sum((day - before).days - 1 for before, day in gaps)
    return [
        f"{n_days} days between {first} and {last} are left out: more than {MAX_EMPTY_DAYS} in a "
        "row are without data."
        for first, last in ((gap[0], gaps[-1][1]) for gap in gaps[:1])
    ]
