"""The doubled hour of autumn in an export that is read table by table.

Which of two passes a wall time belongs to is shown by what comes before and after it in the whole
file. So of the rows around the hour as much is kept as tells the passes apart, and the file is
read once more with what was found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import tzinfo

import numpy as np
import numpy.typing as npt

from rowcall.errors import ExportError
from rowcall.take_in.cells.timestamps import (
    MISSING_HOUR,
    REASONS,
    UNCLEAR_HOUR,
    Bounds,
    Parsed,
    Times,
    bound,
    unbound,
)
from rowcall.take_in.cells.wall_time import (
    DAY_US,
    STEP_BACK_US,
    Change,
    Instants,
    Longs,
    Mask,
    changes,
    first_instants,
    offset_us,
)

_NEAR_US = 2 * 3_600_000_000  # 2 h: the doubled hour, and as much on either side. Chosen.
_MAX_ROWS = 20_000_000  # 21 bytes each

Tags = npt.NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class Passes:
    """The doubled hours of an export: of each row in them its line, rising, and what it is.

    Attributes:
        shift_us: how much later than in the first pass its instant is.
        unclear: nothing in the file shows which pass it belongs to.
    """

    line: Longs
    shift_us: Longs
    unclear: Mask


@dataclass(frozen=True, slots=True)
class _Near:
    """Rows of one table that lie near a doubled hour."""

    line: Longs
    wall_us: Longs
    tag: Tags


class AmbiguousHour:
    """Gives instants to wall times, and collects what tells the two passes of an hour apart.

    Args:
        known: what an earlier reading found; None for the first one, whose doubled hours are
            supposed to be first passes.
    """

    def __init__(self, file: str, zone: tzinfo, bounds: Bounds, known: Passes | None) -> None:
        self._file, self._zone, self._bounds, self._known = file, zone, bounds, known
        self._near: list[_Near] = []
        self._count = 0
        self._has_tags = self._has_doubled = False

    @property
    def is_open(self) -> bool:
        """True where rows were met whose instants take another reading."""
        return self._has_doubled and self._known is None

    def in_utc(self, parsed: Parsed, tag: Tags | None, lines: Longs) -> Times:
        """Return the instants of a table.

        Args:
            parsed: the column of times.
            tag: the number of each row's tag through the whole file, None for one sequence.
            lines: the number of each row's line, rising from table to table.

        Raises:
            ExportError: too many rows lie around a doubled hour.
        """
        times = unbound(parsed)
        rows = np.flatnonzero(times.reason == 0)
        if parsed.is_utc or not len(rows):
            return bound(times, self._bounds)
        time_us, reason = times.time_us.copy(), times.reason
        instants = self._instants(time_us[rows], None if tag is None else tag[rows], lines[rows])
        time_us[rows] = instants.time_us
        reason[rows[instants.missing]] = REASONS.index(MISSING_HOUR)
        if self._known is not None and instants.doubled.any():
            doubled = rows[instants.doubled]
            at = np.searchsorted(self._known.line, lines[doubled])
            time_us[doubled] += self._known.shift_us[at]
            reason[doubled[self._known.unclear[at]]] = REASONS.index(UNCLEAR_HOUR)
        return bound(Times(time_us, reason), self._bounds)

    def passes(self) -> Passes | None:
        """Return what all tables show of the doubled hours, None where no row lies in one."""
        if not self._has_doubled:
            return None
        line = np.concatenate([near.line for near in self._near])
        line, first = np.unique(line, return_index=True)
        wall = np.concatenate([near.wall_us for near in self._near])[first]
        tags = np.concatenate([near.tag for near in self._near])[first]
        shift_us = np.zeros(len(wall), np.int64)
        doubled, unclear = np.zeros(len(wall), np.bool_), np.zeros(len(wall), np.bool_)
        for change in self._turns_back(wall):
            inside = (wall >= change.first_wall) & (wall < change.past_wall)
            if inside.any():
                late, open_ = _second_pass(wall, change, inside, tags if self._has_tags else None)
                shift_us[late] = change.before_us - change.after_us
                doubled |= inside
                unclear |= open_
        return Passes(line[doubled], shift_us[doubled], unclear[doubled])

    def _instants(self, wall: Longs, tag: Tags | None, lines: Longs) -> Instants:
        first, last = int(wall.min()), int(wall.max())
        at = changes(self._zone, first, last)
        for change in at:
            if change.after_us < change.before_us:
                self._keep(wall, tag, lines, change)
        instants = first_instants(wall, at, offset_us(self._zone, first - DAY_US))
        self._has_doubled |= bool(instants.doubled.any())
        return instants

    def _turns_back(self, wall: Longs) -> list[Change]:
        found = changes(self._zone, int(wall.min()), int(wall.max()))
        return [change for change in found if change.after_us < change.before_us]

    def _keep(self, wall: Longs, tag: Tags | None, lines: Longs, change: Change) -> None:
        """Keep the rows within two hours, and for each tag the first and last within a day."""
        day = (wall >= change.first_wall - DAY_US) & (wall < change.past_wall + DAY_US)
        keep = day & (wall >= change.first_wall - _NEAR_US) & (wall < change.past_wall + _NEAR_US)
        tags = np.zeros(len(wall), np.uint32) if tag is None else tag
        self._has_tags |= tag is not None
        rows = np.flatnonzero(day)
        for ordered in (rows, rows[::-1]):
            _, first = np.unique(tags[ordered], return_index=True)
            keep[ordered[first]] = True
        self._near.append(_Near(lines[keep], wall[keep], tags[keep]))
        self._count += int(keep.sum())
        if self._count > _MAX_ROWS:
            raise ExportError(
                f"{self._file}: more than {_MAX_ROWS:,} rows lie around the hour that occurs "
                "twice when summer time ends; export that day alone, or times in UTC."
            )


def _second_pass(
    wall_us: Longs, change: Change, inside: Mask, sequence: npt.NDArray[np.integer] | None
) -> tuple[Mask, Mask]:
    """Return which doubled wall times are the second of the two, and which stay unclear."""
    second, unclear = np.zeros(len(wall_us), np.bool_), np.zeros(len(wall_us), np.bool_)
    near = (wall_us >= change.first_wall - DAY_US) & (wall_us < change.past_wall + DAY_US)
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
    return bool((steps >= -STEP_BACK_US).all() or (steps <= STEP_BACK_US).all())


@dataclass(frozen=True, slots=True)
class _Split:
    """The doubled hour of one sequence in file order, as masks of its rows.

    `is_one_pass`: there was nothing to split; `is_in_no_order`: the time runs back again and again.
    """

    late: Mask
    unclear: Mask
    is_one_pass: bool = False
    is_in_no_order: bool = False


def _split(wall_us: Longs, doubled: Mask, change: Change, tags: npt.NDArray[np.integer]) -> _Split:
    """Split the doubled hour of one sequence in file order."""
    if len(wall_us) and wall_us[-1] < wall_us[0]:  # newest first
        turned = _split(wall_us[::-1], doubled[::-1], change, tags[::-1])
        return replace(turned, late=turned.late[::-1], unclear=turned.unclear[::-1])
    late, unclear = np.zeros(len(wall_us), np.bool_), np.zeros(len(wall_us), np.bool_)
    rows = np.flatnonzero(doubled)
    steps = np.diff(wall_us[rows])
    backs = np.flatnonzero(steps < -STEP_BACK_US)
    if len(backs) == 1:
        late[rows[backs[0] + 1 :]] = True
        return _Split(late, unclear)
    if len(backs) > 1:
        return _Split(late, doubled, is_in_no_order=True)
    again, repeated = _repeats(wall_us[rows], tags[rows])
    if repeated.any() and not steps.any() and _is_behind(again, repeated):
        late[rows[np.flatnonzero(again)[0] :]] = True  # hourly points: one wall time, twice
        return _Split(late, unclear)
    if 2 * repeated.sum() > len(rows):  # as where the rows were sorted by wall time
        return _Split(late, doubled)
    unclear[rows[repeated]] = True
    # One pass only: the first where the rows end in it, the second where they begin in it. Between
    # rows on both sides a pass is missing, or the clock that wrote them knows no summer time.
    is_before, is_after = (wall_us < change.first_wall).any(), (wall_us >= change.past_wall).any()
    if is_before == is_after:
        unclear = doubled
    elif is_after:
        late = doubled
    return _Split(late, unclear, is_one_pass=True)


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
