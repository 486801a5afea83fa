"""From drops to a train of beats: the interval, the bouts, and the beats that have no drop.

The interval is the distance that most neighbouring drops have, refined over the drops around each
one, so that it may drift. A distance of a whole number of intervals, up to one round of the
sequence, is one bout with beats missing between; any other distance begins a new bout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.cadence.drops import Falls, blind_seconds
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_MAX_INTERVAL_S = 600.0  # chosen: rows further apart than this are no cadence
# Drops on either side that give the interval here; chosen: thirty leave 3 % of a step open
_NEAR = 15
# Drops on either side that give the phase here; chosen: a drifting interval stays straight over
# twelve
_SMOOTH = 6
_PHASE_FRAC = 0.04  # of the interval: a controller's own unevenness from beat to beat; chosen
# Of the interval and beat, by which it may be off over missing beats; chosen: it changes by
# less from beat to beat
_DRIFT_FRAC = 0.01
_MAX_FRAC = 0.35  # of the interval; chosen: beyond it, a drop is on the beat by chance only
# Beats, and share of the interval, that may be lost over a gap; chosen: a fifth keeps the count
_COAST, _COAST_FRAC = 100, 0.2
# Of the sampling period: what thirty drops leave open of the interval; chosen, by trial
_INTERVAL_ERROR = 0.03
# Chosen: of distances, so that one silent row in two neighbours does not count
_LOW_QUANTILE = 0.35
_MIN_SUBMULTIPLE = 0.15  # share of neighbours at a part of the commonest distance; chosen


@dataclass(frozen=True, slots=True)
class Bouts:
    """Drops in bouts of even cadence; arrays of shape (n_drops,).

    Attributes:
        drop: indices into the falls.
        bout: number of the bout, from 0.
        index: beat within the bout, 0 at its first drop.
        time_s: instant of the drop, smoothed over its neighbours [s].
        interval_s: interval here [s].
    """

    drop: Ints
    bout: Ints
    index: Ints
    time_s: Floats
    interval_s: Floats


def common_interval(time_s: Floats, step_s: float) -> float | None:
    """Return the distance that most neighbouring drops have [s], None where none stands out."""
    apart = np.sort(np.diff(time_s))
    apart = apart[(apart > step_s) & (apart < _MAX_INTERVAL_S)]
    if apart.size < 8:
        return None
    best = _densest(apart, apart, step_s)
    for part in (2, 3):
        around = best / part
        if around > 2 * step_s:
            n = _count(apart, np.array([around]), step_s)[0]
            if n >= _MIN_SUBMULTIPLE * apart.size:
                best = _densest(apart, np.array([around]), step_s)
                break
    return best


def find_bouts(falls: Falls, drops: Ints, interval_s: float, n_rows: int) -> Bouts:
    """Return the drops that keep a cadence near `interval_s`, in bouts."""
    middle = (falls.low_s + falls.high_s) / 2
    half = (falls.high_s - falls.low_s) / 2
    drops = _without_doubles(falls.fall_pa, middle, drops, interval_s)
    drops = _without_strays(middle, half, drops, interval_s)
    apart, loose = np.diff(middle[drops]), half[drops][:-1] + half[drops][1:]
    local = _local_interval(apart, loose, interval_s)
    steps = np.maximum(1, np.rint(apart / local)).astype(np.int64)
    fits = np.abs(apart - steps * local) <= _tolerance(steps, local, loose)
    blind = blind_seconds(falls, middle[drops][:-1], middle[drops][1:]) / apart
    coast = np.minimum(_COAST_FRAC * local / (_INTERVAL_ERROR * falls.step_s), _COAST)
    linked = fits & ((steps <= n_rows) | ((blind > 0.5) & (steps <= coast)))
    bout = np.concatenate(([0], np.cumsum(~linked)))
    index = np.concatenate(([0], np.cumsum(np.where(linked, steps, 0))))
    first = np.searchsorted(bout, bout)
    index -= index[first]
    here = np.append(local, local[-1:])
    smooth = _smoothed(middle[drops], index, bout, here)
    return Bouts(drops, bout, index, smooth, here)


def _densest(apart: Floats, around: Floats, step_s: float) -> float:
    at = around[int(np.argmax(_count(apart, around, step_s)))]
    near = apart[np.abs(apart - at) <= step_s + 0.03 * at]
    return float(near.mean())


def _count(apart: Floats, around: Floats, step_s: float) -> Ints:
    reach = step_s + 0.03 * around
    return np.searchsorted(apart, around + reach, "right") - np.searchsorted(apart, around - reach)


def _without_doubles(fall_pa: Floats, middle: Floats, drops: Ints, interval_s: float) -> Ints:
    """Leave out the lesser of two drops closer than half an interval."""
    for _ in range(3):
        apart = np.diff(middle[drops])
        close = np.flatnonzero(apart < 0.5 * _first_guess(apart, interval_s))
        if close.size == 0:
            break
        lesser = np.where(fall_pa[drops[close]] < fall_pa[drops[close + 1]], close, close + 1)
        drops = np.delete(drops, np.unique(lesser))
    return drops


def _without_strays(middle: Floats, half: Floats, drops: Ints, interval_s: float) -> Ints:
    """Leave out drops off the beat between two that are on it."""
    if drops.size < 3:
        return drops
    time_s, wide = middle[drops], half[drops]
    local = _local_interval(np.diff(time_s), wide[:-1] + wide[1:], interval_s)
    one = _is_near(np.diff(time_s), wide[:-1] + wide[1:], local)
    over = _is_near(time_s[2:] - time_s[:-2], wide[:-2] + wide[2:], local[1:])
    return np.delete(drops, np.flatnonzero(over & ~one[:-1] & ~one[1:]) + 1)


def _is_near(apart: Floats, loose: Floats, interval_s: Floats) -> Bools:
    steps = np.maximum(1, np.rint(apart / interval_s))
    off = np.abs(apart - steps * interval_s)
    near: Bools = (off <= _tolerance(steps, interval_s, loose)) & (steps <= 3)
    return near


def _tolerance(steps: Floats | Ints, interval_s: Floats | float, loose: Floats) -> Floats:
    reach = loose + (_PHASE_FRAC + _DRIFT_FRAC * steps) * interval_s
    return np.minimum(reach, _MAX_FRAC * interval_s)


def _local_interval(apart: Floats, loose: Floats, interval_s: float) -> Floats:
    """Interval at each distance, from those around it that are few whole intervals long."""
    local = _first_guess(apart, interval_s)
    for max_steps in (1, 3, 4):
        steps = np.maximum(1, np.rint(apart / local))
        reach = _MAX_FRAC * local if max_steps == 1 else _tolerance(steps, local, loose)
        used = (steps <= max_steps) & (np.abs(apart - steps * local) <= reach)
        total, count = (_window_sum(np.where(used, x, 0.0), _NEAR) for x in (apart, steps))
        local = np.where(count >= 3, total / np.maximum(count, 1), local)
    return local


def _first_guess(apart: Floats, interval_s: float) -> Floats:
    """Low quantile of the distances around each one, where that is no rest."""
    if apart.size <= 2 * _NEAR:
        return np.full(apart.size, interval_s)
    view = np.lib.stride_tricks.sliding_window_view(apart, 2 * _NEAR + 1)
    place = int(_LOW_QUANTILE * 2 * _NEAR)
    low = np.pad(np.partition(view, place, axis=1)[:, place], _NEAR, mode="edge")
    return np.where((low > interval_s / 2) & (low < 2 * interval_s), low, interval_s)


def _window_sum(values: Floats, half: int) -> Floats:
    total = np.concatenate(([0.0], np.cumsum(values)))
    at = np.arange(values.size)
    return total[np.minimum(at + half + 1, values.size)] - total[np.maximum(at - half, 0)]


def _smoothed(time_s: Floats, index: Ints, bout: Ints, interval_s: Floats) -> Floats:
    """Instants fitted to an even cadence over the neighbours in the same bout."""
    at = np.arange(time_s.size)
    low = np.maximum(at - _SMOOTH, np.searchsorted(bout, bout, "left"))
    high = np.minimum(at + _SMOOTH, np.searchsorted(bout, bout, "right") - 1)
    reach = np.minimum(at - low, high - at)  # even on both sides, so that a drift does not lean
    short = reach < _SMOOTH
    low, high = np.where(short, low, at - reach), np.where(short, high, at + reach)
    n = high - low + 1
    means = []
    for values in (time_s, index.astype(np.float64)):
        total = np.concatenate(([0.0], np.cumsum(values)))
        means.append((total[high + 1] - total[low]) / n)
    smooth: Floats = means[0] + interval_s * (index - means[1])
    return smooth
