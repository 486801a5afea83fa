"""Set points of cleaning on demand as found: at which DP pulsing starts, and at which it stops.

The controller starts at the start set point, so that is DP when the first row is pulsed. It stops
at the first pulse after which DP is below the stop set point: that lies between DP before and DP
after the last pulse, and over many bouts in the middle. A controller that has to finish its pass
of all rows may be far below by then; bouts of one pass show only that the set point is not lower.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np

from rowcall.model import Floats, Signal

_BEFORE_S = 60.0  # chosen: DP rises along a straight line for so long before a bout
_MIN_POINTS = 3  # chosen: a line through fewer has no scatter
_MAX_AGE_S = 15.0  # chosen: the last point of that line must be so near to the first pulse
_BESIDE_S = 6.0  # chosen: DP before the last pulse, and as long after it has settled
_KICK_S = 1.0  # chosen: the pulse's own kick on DP has died out by then
_MIN_BOUTS = 5  # chosen: fewer say little of where a set point lies
_NORMAL = 1.2533  # standard error of a median over that of a mean, normal scatter


@dataclass(frozen=True, slots=True)
class SetPoint:
    """A set point [Pa] and its standard error; nan where it is not known."""

    pa: float = nan
    error_pa: float = nan


def start_set_point(dp: Signal, first_s: Floats) -> SetPoint:
    """Return the DP at which cleaning starts; `first_s`: the first pulse of each bout, (n,)."""
    return _median([_reached(dp, at) for at in first_s])


def stop_set_point(dp: Signal, last_s: Floats, n_pulses: Floats, n_rows: int) -> SetPoint:
    """Return the DP at which cleaning stops.

    Args:
        last_s: the last pulse of each bout, shape (n,).
        n_pulses: pulses of each bout, shape (n,).
        n_rows: pulses of a pass of all rows that are pulsed.
    """
    asked = last_s[n_pulses > n_rows]
    spans = ((asked - _BESIDE_S, asked), (asked + _KICK_S, asked + _KICK_S + _BESIDE_S))
    before, after = (_means(dp, *span) for span in spans)
    return _median(((before + after) / 2).tolist())


def _reached(dp: Signal, at_s: float) -> float:
    """DP at an instant by the straight line of the minute before it, nan with too few points."""
    first, last = np.searchsorted(dp.time_s, (at_s - _BEFORE_S, at_s))
    time_s, value = dp.time_s[first:last] - at_s, dp.value[first:last]
    if time_s.size < _MIN_POINTS or time_s[-1] < -_MAX_AGE_S:
        return nan
    centre = time_s.mean()
    slope = ((time_s - centre) @ value) / ((time_s - centre) @ (time_s - centre))
    return float(value.mean() - slope * centre)


def _means(dp: Signal, begin_s: Floats, end_s: Floats) -> Floats:
    """Means of the points in each span, shape (n,); nan without a point."""
    total = np.concatenate(([0.0], np.cumsum(dp.value)))
    first, last = np.searchsorted(dp.time_s, (begin_s, end_s))
    count = last - first
    sums = total[last] - total[first]
    return np.asarray(np.divide(sums, count, out=np.full(count.size, nan), where=count > 0))


def _median(levels: list[float]) -> SetPoint:
    known = np.array([level for level in levels if np.isfinite(level)])
    if known.size < _MIN_BOUTS:
        return SetPoint()
    middle = float(np.median(known))
    scatter = float(np.median(np.abs(known - middle))) * 1.4826
    return SetPoint(middle, _NORMAL * scatter / sqrt(known.size))
