"""Plant-local wall time to UTC, with the missing hour of spring and the doubled one of autumn."""

from __future__ import annotations

from dataclasses import dataclass, replace
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
    tags = np.zeros(len(rows), np.int64) if sequence is None else sequence[rows]
    if sequence is None or _is_one_sequence(wall_us[rows], inside[rows]):
        whole = _split(wall_us[rows], inside[rows], change, tags)
        if sequence is None or not whole.is_in_no_order:
            second[rows[whole.late]], unclear[rows[whole.unclear]] = True, True
            return second, unclear
    order = np.argsort(tags, kind="stable")
    groups = [
        rows[group]
        for group in np.split(order, np.flatnonzero(np.diff(tags[order])) + 1)
        if inside[rows[group]].any()
    ]
    splits = [
        _split(wall_us[group], inside[group], change, np.zeros(len(group), np.int64))
        for group in groups
    ]
    has_two = any(split.late.any() and not split.is_one_pass for split in splits)
    for group, split in zip(groups, splits, strict=True):
        second[group[split.late]] = True
        # Where other tags went through the hour twice, one pass alone does not tell which it is.
        open_ = inside[group] if has_two and split.is_one_pass else split.unclear
        unclear[group[open_]] = True
    return second, unclear


def _is_one_sequence(wall_us: Longs, inside: Mask) -> bool:
    """True where the rows outside the doubled hour rise (or fall) through the whole file."""
    steps = np.diff(wall_us[~inside])
    return bool((steps >= -_STEP_BACK_US).all() or (steps <= _STEP_BACK_US).all())


@dataclass(frozen=True, slots=True)
class _Passes:
    """The doubled hour of one sequence in file order, as masks of its rows.

    `is_one_pass`: there was nothing to split; `is_in_no_order`: the time runs back again and again.
    """

    late: Mask
    unclear: Mask
    is_one_pass: bool = False
    is_in_no_order: bool = False


def _split(wall_us: Longs, doubled: Mask, change: Change, tags: npt.NDArray[np.integer]) -> _Passes:
    """Split the doubled hour of one sequence in file order."""
    if len(wall_us) and wall_us[-1] < wall_us[0]:  # newest first
        turned = _split(wall_us[::-1], doubled[::-1], change, tags[::-1])
        return replace(turned, late=turned.late[::-1], unclear=turned.unclear[::-1])
    late, unclear = np.zeros(len(wall_us), np.bool_), np.zeros(len(wall_us), np.bool_)
    rows = np.flatnonzero(doubled)
    steps = np.diff(wall_us[rows])
    backs = np.flatnonzero(steps < -_STEP_BACK_US)
    if len(backs) == 1:
        late[rows[backs[0] + 1 :]] = True
        return _Passes(late, unclear)
    if len(backs) > 1:
        return _Passes(late, doubled, is_in_no_order=True)
    again, repeated = _repeats(wall_us[rows], tags[rows])
    if repeated.any() and not steps.any() and _is_behind(again, repeated):
        late[rows[np.flatnonzero(again)[0] :]] = True  # hourly points: one wall time, twice
        return _Passes(late, unclear)
    if 2 * repeated.sum() > len(rows):  # as where the rows were sorted by wall time
        return _Passes(late, doubled)
    unclear[rows[repeated]] = True
    # One pass only: the first if the file comes from before it, the second if it goes on after.
    if not (wall_us < change.first_wall).any():
        is_second = (wall_us >= change.past_wall).any()
        late, unclear = (doubled, unclear) if is_second else (late, doubled)
    return _Passes(late, unclear, is_one_pass=True)


def _repeats(wall_us: Longs, tags: npt.NDArray[np.integer]) -> tuple[Mask, Mask]:
    """Return masks of rows that repeat tag and wall time of an earlier one, and of all such."""
    order = np.lexsort((np.arange(len(tags)), wall_us, tags))
    same = (np.diff(tags[order]) == 0) & (np.diff(wall_us[order]) == 0)
    again, repeated = np.zeros(len(tags), np.bool_), np.zeros(len(tags), np.bool_)
    again[order[1:][same]] = True
    repeated[order[1:][same]] = repeated[order[:-1][same]] = True
    return again, repeated


def _is_behind(again: Mask, repeated: Mask) -> bool:
    """True where each row comes twice at most, and all of the repeats behind all of the firsts."""
    firsts = np.flatnonzero(repeated & ~again)
    seconds = np.flatnonzero(again)
    return len(firsts) == len(seconds) and bool(firsts[-1] < seconds[0])
