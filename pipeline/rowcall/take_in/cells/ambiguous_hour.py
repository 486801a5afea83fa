"""The doubled hour of autumn in an export that is read table by table.

Which of two passes a wall time belongs to is told by what comes before and after it in the whole
file. So these rows wait, and of the rows around them as much is kept as tells them apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.cells.timestamps import REASONS, UNCLEAR_HOUR, Bounds, Parsed, Times, in_utc
from rowcall.take_in.cells.wall_time import Change, changes, to_utc

_DAY_US, _NEAR_US = 86_400_000_000, 2 * 3_600_000_000
_MOST_ROWS = 20_000_000  # 20 bytes each

Longs = npt.NDArray[np.int64]
Tags = npt.NDArray[np.uint32]


@dataclass(frozen=True, slots=True)
class _Kept:
    """Rows of one table that lie near a doubled hour; `row` counts through the file."""

    row: Longs
    wall_us: Longs
    tag: Tags
    doubled: npt.NDArray[np.bool_]


class DoubledHour:
    """Collects, over all tables of an export, what tells the two passes of a doubled hour apart."""

    def __init__(self, file: str, zone: ZoneInfo, bounds: Bounds | None) -> None:
        self._file, self._zone, self._bounds = file, zone, bounds
        self._kept: list[_Kept] = []
        self._count = 0
        self._has_tags = False

    def in_utc(self, parsed: Parsed, tag: Tags | None, numbers: Longs) -> tuple[Times, Longs]:
        """Return the instants of a table, and its rows that wait (with their earlier instant).

        Args:
            parsed: the column of times.
            tag: the number of each row's tag through the whole file, None for one sequence.
            numbers: the number of each row in the file.
        """
        none = np.empty(0, np.int64)
        if parsed.is_utc:
            return in_utc(parsed, self._zone, tag, self._bounds), none
        # Without a sequence each row alone decides nothing, which is right: that comes later.
        times = in_utc(parsed, self._zone, tag, self._bounds)
        good = np.flatnonzero((times.reason == 0) | (times.reason == REASONS.index(UNCLEAR_HOUR)))
        wall = parsed.time.fill_null(0).to_numpy()[good]
        if not len(wall):
            return times, none
        time_us, reason = times.time_us.copy(), times.reason.copy()
        waiting = []
        for change in changes(self._zone, int(wall.min()), int(wall.max())):
            if change.after_us < change.before_us:
                doubled = (wall >= change.first_wall) & (wall < change.past_wall)
                self._keep(good, wall, tag, doubled, change, numbers)
                rows = good[doubled]
                time_us[rows] = wall[doubled] - change.before_us
                reason[rows] = 0
                waiting.append(rows)
        rows = np.sort(np.concatenate([none, *waiting]))
        return replace(times, time_us=time_us, reason=reason), rows

    def told(self) -> pl.DataFrame | None:
        """Return for each waiting row how much later than supposed it is, null where unclear.

        Columns `row` and `shift_us`; None where no row waits.
        """
        if not self._count:
            return None
        row = np.concatenate([kept.row for kept in self._kept])
        order = np.argsort(row, kind="stable")
        row = row[order]
        wall = np.concatenate([kept.wall_us for kept in self._kept])[order]
        tags = np.concatenate([kept.tag for kept in self._kept])[order]
        tag = tags if self._has_tags else None
        doubled = np.concatenate([kept.doubled for kept in self._kept])[order]
        resolved = to_utc(wall, self._zone, tag)
        first = np.zeros(len(wall), np.int64)
        for change in changes(self._zone, int(wall.min()), int(wall.max())):
            inside = (wall >= change.first_wall) & (wall < change.past_wall)
            first[inside] = wall[inside] - change.before_us
        shift = pl.Series(resolved.time_us - first).set(pl.Series(resolved.unclear), None)
        return pl.DataFrame({"row": row, "shift_us": shift}).filter(pl.Series(doubled))

    def _keep(
        self,
        good: Longs,
        wall: Longs,
        tag: Tags | None,
        doubled: npt.NDArray[np.bool_],
        change: Change,
        row_numbers: Longs,
    ) -> None:
        """Keep the rows within two hours, and for each tag the first and last within a day."""
        day = (wall >= change.first_wall - _DAY_US) & (wall < change.past_wall + _DAY_US)
        keep = day & (wall >= change.first_wall - _NEAR_US) & (wall < change.past_wall + _NEAR_US)
        numbers = np.zeros(len(wall), np.uint32) if tag is None else tag[good]
        self._has_tags |= tag is not None
        rows = np.flatnonzero(day)
        for ordered in (rows, rows[::-1]):
            _, first = np.unique(numbers[ordered], return_index=True)
            keep[ordered[first]] = True
        places = np.flatnonzero(keep)
        self._kept.append(
            _Kept(row_numbers[good[places]], wall[places], numbers[places], doubled[places])
        )
        self._count += len(places)
        if self._count > _MOST_ROWS:
            raise ExportError(
                f"{self._file}: more than {_MOST_ROWS:,} rows lie around the hour that occurs "
                "twice when summer time ends; export that day alone, or times in UTC."
            )
