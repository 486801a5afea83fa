"""The level that the supply of a header holds, read from points that lie close to it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats

Flags = npt.NDArray[np.bool_]

_MIN_IN_BLOCK = 9  # chosen: the median of nine forgives four wild points
_BLOCK_S = 60.0  # chosen: the supply wanders in minutes; within one, more points make less noise
_MAX_LENGTHS = 4.0  # chosen: blocks this many times as long as the median one lie across a gap
_MIN_READINGS = 5  # chosen: fewer do not show how they scatter
_REACH_S = 600.0  # chosen: the supply's level holds this long either side of a block


def supply_level(time_s: Floats, pressure_pa: Floats) -> tuple[Floats, Floats]:
    """Level that the supply holds: medians of blocks of rested points, and their middle times."""
    step_s = max(float(np.median(np.diff(time_s))), 1e-3)
    size = min(max(_MIN_IN_BLOCK, int(_BLOCK_S / step_s)), time_s.size)
    whole = time_s.size // size * size
    times = time_s[:whole].reshape(-1, size)
    level = np.median(pressure_pa[:whole].reshape(-1, size), axis=1)
    length = times[:, -1] - times[:, 0]
    is_dense = length <= _MAX_LENGTHS * np.median(
        length
    )  # a block across a gap speaks for neither side
    return times[is_dense].mean(axis=1), level[is_dense]


def level_scatter(level: Floats) -> float:
    """Standard deviation of a reading about the straight line between its neighbours, in its unit.

    From the second differences of all readings, whose variance is six times that of one.
    """
    if level.size < _MIN_READINGS:
        return 0.0
    return float(np.sqrt(np.mean(np.diff(level, 2) ** 2) / 6.0))


def is_near(time_s: Floats, known_s: Floats) -> Flags:
    """Tell where the level is known from nearby; in between the supply may have wandered."""
    reach = (
        max(_REACH_S, 1.5 * float(np.median(np.diff(known_s)))) if known_s.size > 1 else _REACH_S
    )
    after = np.searchsorted(known_s, time_s)
    left = np.abs(time_s - known_s[np.clip(after - 1, 0, known_s.size - 1)])
    right = np.abs(known_s[np.clip(after, 0, known_s.size - 1)] - time_s)
    return np.asarray(np.minimum(left, right) <= reach)
