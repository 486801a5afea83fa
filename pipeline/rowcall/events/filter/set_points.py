"""Set points of cleaning on demand as found: at which DP pulsing starts, and at which it stops.

The controller starts at the start set point, so that is DP when the first row is pulsed. It stops
at the first pulse after which DP is below the stop set point: that lies below DP before the last
pulse of a bout and above DP after it, and so between those of all bouts. A controller that has to
finish its pass of all rows may be far below by then; bouts of one pass show only that the set point
is not lower. One whose bouts end within a pass, as often as not, has not to finish it.

DP rises between two pulses, so a controller that watches it sees the lowest right after a pulse:
means of the time between are put back to there, by how fast DP rises before a bout.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import nan, sqrt

import numpy as np
from scipy.special import ndtr

from rowcall.condition.quantiles import median
from rowcall.events.noise import median_deviation
from rowcall.model import Floats, Signal

_BEFORE_S = 60.0  # chosen: DP rises along a straight line for so long before a bout
_MIN_POINTS = 3  # chosen: a line through fewer has no scatter
_MAX_AGE_S = 15.0  # chosen: the last point of that line must be so near to the first pulse
_BESIDE_S = 6.0  # chosen: DP before the last pulse, and as long after it has settled, at least
_MOST_BESIDE_S = 12.0  # chosen: DP rises by a new cake in longer
_KICK_S = 1.0  # chosen: the pulse's own kick on DP has died out by then
_MIN_BOUTS = 5  # chosen: fewer say little of where a set point lies
_NORMAL = 1.2533  # standard error of a median over that of a mean, normal scatter
_SHORT = 0.2  # chosen: share of bouts shorter than a pass, from which none has to be finished
_MISTAKEN = 0.02  # chosen: of bouts that end for another reason, as a halt of the unit
_LEVELS, _SPREADS = 121, (0.005, 0.5, 10)  # chosen: of what is tried; shares of what is seen


@dataclass(frozen=True, slots=True)
class SetPoint:
    """A set point [Pa] and its standard error; nan where it is not known.

    rise_pa_s: how fast DP usually rises before a bout, 0 where nothing shows it.
    """

    pa: float = nan
    error_pa: float = nan
    rise_pa_s: float = 0.0


def start_set_point(dp: Signal, first_s: Floats) -> SetPoint:
    """Return the DP at which cleaning starts; `first_s`: the first pulse of each bout, (n,)."""
    lines = [line for at in first_s if (line := _line_before(dp, at)) is not None]
    if not lines:
        return SetPoint()
    levels, rises = np.array(lines).T
    return replace(_median(levels), rise_pa_s=float(np.median(rises)))


def stop_set_point(
    dp: Signal,
    last_s: Floats,
    n_pulses: Floats,
    n_rows: int,
    interval_s: float,
    rise_pa_s: float = 0.0,
) -> SetPoint:
    """Return the DP at which cleaning stops.

    Args:
        last_s: the last pulse of each bout, shape (n,).
        n_pulses: pulses of each bout, shape (n,).
        n_rows: pulses of a pass of all rows that are pulsed.
        interval_s: from pulse to pulse within a bout.
        rise_pa_s: of DP between two pulses.
    """
    is_free = n_pulses.size > 0 and np.mean(n_pulses < n_rows) >= _SHORT
    asked = last_s[n_pulses > (1 if is_free else n_rows)]
    # At least two points of a fine signal, one of a coarse one, and none of another pulse.
    step_s = float(np.median(np.diff(dp.time_s))) if dp.time_s.size > 1 else nan
    most_s = min(_MOST_BESIDE_S, interval_s - _KICK_S)
    beside_s = min(max(_BESIDE_S, step_s), most_s)
    since = Signal(dp.time_s, dp.value - rise_pa_s * dp.time_s)
    before = _means(since, asked - beside_s, asked) + rise_pa_s * (asked - interval_s)
    after = _means(since, asked + _KICK_S, asked + _KICK_S + beside_s) + rise_pa_s * asked
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    return _edge(before, after) if min(before.size, after.size) >= _MIN_BOUTS else SetPoint()


def _edge(above: Floats, below: Floats) -> SetPoint:
    """Return the level between those above and those below it, which scatter by their noise.

    Mean and standard deviation of what they leave open, over all levels and scatters.
    """
    seen, side = np.concatenate((above, below)), np.repeat((1.0, -1.0), (above.size, below.size))
    low, high = float(seen.min()), float(seen.max())
    if high <= low:
        return SetPoint()
    levels = np.linspace(low, high, _LEVELS)
    log_odds = np.zeros((_SPREADS[2], _LEVELS))
    for k, spread in enumerate(np.geomspace(*_SPREADS) * (high - low)):
        share = ndtr(side * (seen - levels[:, None]) / spread)
        log_odds[k] = np.log(_MISTAKEN + (1 - _MISTAKEN) * share).sum(axis=1)
    odds = np.exp(log_odds - log_odds.max()).sum(axis=0)
    odds /= odds.sum()
    mean = float(odds @ levels)
    return SetPoint(mean, sqrt(float(odds @ (levels - mean) ** 2)))


def _line_before(dp: Signal, at_s: float) -> tuple[float, float] | None:
    """DP at an instant [Pa] and its rise [Pa/s] by the straight line of the minute before it.

    None with too few points.
    """
    first, last = np.searchsorted(dp.time_s, (at_s - _BEFORE_S, at_s))
    time_s, value = dp.time_s[first:last] - at_s, dp.value[first:last]
    if time_s.size < _MIN_POINTS or time_s[-1] < -_MAX_AGE_S:
        return None
    centre = time_s.mean()
    slope = ((time_s - centre) @ value) / ((time_s - centre) @ (time_s - centre))
    return float(value.mean() - slope * centre), float(slope)


def _means(dp: Signal, begin_s: Floats, end_s: Floats) -> Floats:
    """Means of the points in each span, shape (n,); nan without a point."""
    total = np.concatenate(([0.0], np.cumsum(dp.value)))
    first, last = np.searchsorted(dp.time_s, (begin_s, end_s))
    count = last - first
    sums = total[last] - total[first]
    return np.asarray(np.divide(sums, count, out=np.full(count.size, nan), where=count > 0))


def _median(levels: Floats) -> SetPoint:
    if levels.size < _MIN_BOUTS:
        return SetPoint()
    return SetPoint(median(levels), _NORMAL * median_deviation(levels) / sqrt(levels.size))
