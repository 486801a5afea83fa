"""Where the time runs back within an export: a clock set back, or exports put together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.take_in.cells.wall_time import STEP_BACK_US

Longs = npt.NDArray[np.int64]


@dataclass(slots=True)
class _Lines:
    """How many lines were found, and the first of them (0: none)."""

    count: int = 0
    first: int = 0

    def add(self, lines: Longs) -> None:
        found = np.unique(lines)
        if len(found):
            self.count += len(found)
            self.first = self.first or int(found[0])


class Jumps:
    """Counts, over all tables, the lines before which the time of their tag runs back by a minute.

    Whether the file is written newest first, and so read from its end, is known at the end only:
    until then the jumps of both directions are kept.
    """

    def __init__(self) -> None:
        self._tag = np.empty(0, np.uint32)  # of each tag the last entry so far
        self._time_us, self._line = np.empty(0, np.int64), np.empty(0, np.int64)
        self._steps_back = self._steps_on = 0
        self._back, self._ahead = _Lines(), _Lines()

    def add(self, tag: npt.NDArray[np.uint32], time_us: Longs, line: Longs) -> None:
        """Add a table's entries; those of one tag are in file order.

        Args:
            tag: the number of each one's tag through the whole file.
            time_us: UTC instants, so that the doubled hour of autumn is no jump.
            line: the number of each one's line.
        """
        tag = np.concatenate([self._tag, tag])
        order = np.argsort(tag.astype(np.min_scalar_type(tag.max(initial=0))), kind="stable")
        tag = tag[order]
        time_us = np.concatenate([self._time_us, time_us])[order]
        line = np.concatenate([self._line, line])[order]
        steps = np.where(np.diff(tag) == 0, np.diff(time_us), 0)
        self._steps_back += int((steps < 0).sum())
        self._steps_on += int((steps > 0).sum())
        self._back.add(line[1:][steps < -STEP_BACK_US])
        self._ahead.add(line[:-1][steps > STEP_BACK_US])
        last = np.flatnonzero(np.diff(tag, append=tag[-1:] + 1)) if len(tag) else order
        self._tag, self._time_us, self._line = tag[last], time_us[last], line[last]

    def found(self) -> tuple[int, int]:
        """Return how many lines there are, and the first of them."""
        lines = self._ahead if self._steps_back > self._steps_on else self._back
        return lines.count, lines.first
