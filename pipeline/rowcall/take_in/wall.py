"""Plant-local wall time to UTC, with the missing hour of spring and the doubled one of autumn."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

Longs = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

_SECOND_US = 1_000_000
# Stamps of one scan lie seconds apart; a step back of more is the clock that was set back. Chosen.
_STEP_BACK_US = 60 * _SECOND_US


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
class Resolved:
    """UTC instants of wall times, and masks of those that have none."""

    time_us: Longs
    missing: Mask  # the clock jumped over this wall time
    unclear: Mask  # the hour occurred twice, and nothing in the file tells which is meant


def to_utc(wall_us: Longs, zone: ZoneInfo, sequence: npt.NDArray[np.integer] | None) -> Resolved:
    """Return the UTC instants of wall times.

    Args:
        wall_us: i64, wall time as microseconds since 1970-01-01 00:00 on the wall, in file order.
        zone: the plant's zone.
        sequence: the number of the tag of each row; None where the rows are one sequence.
    """
    none = np.zeros(len(wall_us), np.bool_)
    if not len(wall_us):
        return Resolved(wall_us, none, none)
    missing, unclear = none.copy(), none.copy()
    first, last = int(wall_us.min()), int(wall_us.max())
    offset = np.full(len(wall_us), _offset_us(zone, first - 86_400 * _SECOND_US), np.int64)
    for change in changes(zone, first, last):
        offset[wall_us >= change.past_wall] = change.after_us
        inside = (wall_us >= change.first_wall) & (wall_us < change.past_wall)
        if not inside.any():
            continue
        if change.after_us > change.before_us:
            missing |= inside
        else:
            second, open_ = _second_pass(wall_us, change, inside, sequence)
            offset[inside] = change.before_us
            offset[second] = change.after_us
            unclear |= open_
    return Resolved(wall_us - offset, missing, unclear)


def changes(zone: ZoneInfo, first_us: int, last_us: int) -> list[Change]:
    """Return the changes of offset within a day of the span, oldest first."""
    day = 86_400 * _SECOND_US
    found = []
    low, end = first_us - day, last_us + day
    while low < end:
        high = low + day
        if _offset_us(zone, low) != _offset_us(zone, high):
            found.append(_bisect(zone, low, high))
        low = high
    return found


def _bisect(zone: ZoneInfo, low: int, high: int) -> Change:
    before, after = _offset_us(zone, low), _offset_us(zone, high)
    low_s, high_s = low // _SECOND_US, -(-high // _SECOND_US)
    while high_s - low_s > 1:
        middle = (low_s + high_s) // 2
        if _offset_us(zone, middle * _SECOND_US) == before:
            low_s = middle
        else:
            high_s = middle
    return Change(high_s * _SECOND_US, before, after)


def _offset_us(zone: ZoneInfo, instant_us: int) -> int:
    instant = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=instant_us)
    offset = instant.astimezone(zone).utcoffset()
    return 0 if offset is None else offset // timedelta(microseconds=1)


def _second_pass(
    wall_us: Longs, change: Change, inside: Mask, sequence: npt.NDArray[np.integer] | None
) -> tuple[Mask, Mask]:
    """Return which doubled wall times are the second of the two, and which stay unclear."""
    second, unclear = np.zeros(len(wall_us), np.bool_), np.zeros(len(wall_us), np.bool_)
    near = (wall_us >= change.first_wall - 86_400 * _SECOND_US) & (
        wall_us < change.past_wall + 86_400 * _SECOND_US
    )
    rows = np.flatnonzero(near)
    groups = [rows]
    if sequence is not None and not _is_one_sequence(wall_us[rows], inside[rows]):
        order = rows[np.argsort(sequence[rows], kind="stable")]
        groups = np.split(order, np.flatnonzero(np.diff(sequence[order])) + 1)
    for group in groups:
        doubled = inside[group]
        if doubled.any():
            late, open_ = _split(wall_us[group], doubled, change)
            second[group[late]], unclear[group[open_]] = True, True
    return second, unclear


def _is_one_sequence(wall_us: Longs, inside: Mask) -> bool:
    """True where the rows outside the doubled hour rise (or fall) through the whole file."""
    steps = np.diff(wall_us[~inside])
    return bool((steps >= -_STEP_BACK_US).all() or (steps <= _STEP_BACK_US).all())


def _split(wall_us: Longs, doubled: Mask, change: Change) -> tuple[Mask, Mask]:
    """Split the doubled hour of one sequence in file order, as masks (second pass, unclear)."""
    if wall_us[-1] < wall_us[0]:  # newest first
        late, unclear = _split(wall_us[::-1], doubled[::-1], change)
        return late[::-1], unclear[::-1]
    none = np.zeros(len(wall_us), np.bool_)
    rows = np.flatnonzero(doubled)
    steps = np.diff(wall_us[rows])
    backs = np.flatnonzero(steps < -_STEP_BACK_US)
    if len(rows) == 2 and steps[0] == 0:  # hourly points: the same wall time once a pass
        backs = np.array([0])
    if len(backs) == 1:
        late = none.copy()
        late[rows[backs[0] + 1 :]] = True
        return late, none
    if len(backs) > 1:  # the rows are in no order that could tell
        return none, doubled
    # One pass only: the first if the file comes from before it, the second if it goes on after.
    if (wall_us < change.first_wall).any():
        return none, none
    return (doubled, none) if (wall_us >= change.past_wall).any() else (none, doubled)
