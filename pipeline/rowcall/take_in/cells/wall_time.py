"""Plant-local wall time to UTC: the changes of a zone's offset, and the instants between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

import numpy as np
import numpy.typing as npt

Longs = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_SECOND_US = 1_000_000
DAY_US = 86_400 * _SECOND_US  # of 24 h
# Stamps of one scan lie seconds apart, and clocks are steered by less: a step back of more is a
# clock that was set back. Chosen.
STEP_BACK_US = 60 * _SECOND_US


@dataclass(frozen=True, slots=True)
class Change:
    """A change of the zone's offset: from `before_us` to `after_us` at the instant `at_us`."""

    at_us: int
    before_us: int
    after_us: int

    @property
    def first_wall(self) -> int:
        """Where the wall times that are missing (or doubled) begin."""
        return self.at_us + min(self.before_us, self.after_us)

    @property
    def past_wall(self) -> int:
        """Where they end."""
        return self.at_us + max(self.before_us, self.after_us)


@dataclass(frozen=True, slots=True)
class Instants:
    """UTC instants of wall times; of a doubled one (`doubled`) that of the first pass.

    `missing` are those that the clock jumped over, which have none.
    """

    time_us: Longs
    missing: Mask
    doubled: Mask


def first_instants(wall_us: Longs, at: Sequence[Change], before_us: int) -> Instants:
    """Return the UTC instants of wall times.

    Args:
        wall_us: i64, wall time as microseconds since 1970-01-01 00:00 on the wall.
        at: the changes of the zone's offset within a day of them, oldest first.
        before_us: the offset before the first change.
    """
    missing, doubled = np.zeros(len(wall_us), np.bool_), np.zeros(len(wall_us), np.bool_)
    offset = np.full(len(wall_us), before_us, np.int64)
    for change in at:
        offset[wall_us >= change.past_wall] = change.after_us
        inside = (wall_us >= change.first_wall) & (wall_us < change.past_wall)
        if change.after_us > change.before_us:
            missing |= inside
        else:
            doubled |= inside
            offset[inside] = change.before_us
    return Instants(wall_us - offset, missing, doubled)


def changes(zone: tzinfo, first_us: int, last_us: int) -> list[Change]:
    """Return the changes of offset within a day of the span, oldest first."""
    found = []
    low, end = first_us - DAY_US, last_us + DAY_US
    while low < end:
        high = low + DAY_US
        if offset_us(zone, low) != offset_us(zone, high):
            found.append(_bisect(zone, low, high))
        low = high
    return found


def _bisect(zone: tzinfo, low: int, high: int) -> Change:
    before, after = offset_us(zone, low), offset_us(zone, high)
    low_s, high_s = low // _SECOND_US, -(-high // _SECOND_US)
    while high_s - low_s > 1:
        middle = (low_s + high_s) // 2
        if offset_us(zone, middle * _SECOND_US) == before:
            low_s = middle
        else:
            high_s = middle
    return Change(high_s * _SECOND_US, before, after)


def offset_us(zone: tzinfo, instant_us: int) -> int:
    """Return the zone's offset from UTC at an instant, in microseconds."""
    instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=instant_us)
    offset = instant.astimezone(zone).utcoffset()
    return 0 if offset is None else offset // timedelta(microseconds=1)
