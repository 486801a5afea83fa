"""Which days a night has to judge: new ones, changed ones, and those of which a part failed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import rowcall
from rowcall.days import days_from
from rowcall.store.nights.judgements import Attempt, Judged

# In a row; chosen: an outage of two weeks is reported day by day, so that nobody takes it for
# quiet. A longer gap is a plant that stood still or a wrong date, which would cost a night's run.
MAX_EMPTY_DAYS = 14


@dataclass(frozen=True, slots=True)
class Due:
    """A day to judge: the newest file that touched it (0: none), and the count of its report."""

    day: date
    file_id: int
    revision: int


@dataclass(frozen=True, slots=True)
class Tried:
    """How days were judged before, what was tried of those with parts that failed.

    `settings` returns the fingerprint of the settings in force.
    """

    judged: Mapping[date, Judged]
    failed: Mapping[date, Attempt]
    settings: Callable[[], str]

    def is_due(self, day: date, file_id: int) -> bool:
        """Return whether anything is new of a day: its data, or what its failures may hang on."""
        judged, failed = self.judged.get(day), self.failed.get(day)
        known = max((one.file_id for one in (judged, failed) if one is not None), default=None)
        if known is None or file_id > known:
            return True
        if failed is None:
            return False
        return (failed.version, failed.settings_hash) != (rowcall.__version__, self.settings())


def days_to_judge(complete: Sequence[date], touched: Mapping[date, int], tried: Tried) -> list[Due]:
    """Return the days that are due, oldest first.

    Args:
        complete: days with data that have ended, rising; short gaps between them may be due too.
        touched: the newest file of each day with data.
    """
    return [
        Due(day, touched.get(day, 0), tried.judged[day].revision + 1 if day in tried.judged else 1)
        for day in _with_short_gaps(complete)
        if tried.is_due(day, touched.get(day, 0))
    ]


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
