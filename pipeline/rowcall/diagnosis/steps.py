"""Steps in a short daily series, by penalised least squares.

A segmentation is accepted when each step lowers the sum of squares by more than a penalty of
3 * (1 + 20 / n) * variance * ln(n). The variance is measured from the day-to-day differences,
which steps and slow trends leave alone. Simulated in white noise (4,000 to 90,000 series for each
number of days): a false step in 3.1 % of series of 6 days, 2.0-2.8 % of 7 to 14, 1.6 % of 30 and
0.7 % of 90; a step of ten standard deviations is found on its first day in 85 % of series of 7
days, 98 % of 14 and 99 % of 30. A rule adds the size of step that matters. Any
day can carry a step, the newest one included. A slow rise would be cut into a staircase: where a
straight line does as well at the price of one step, there is no step.

The search is exact (optimal partitioning, Jackson et al. 2005): a few months of days take a
millisecond, and loading ruptures, which finds the same, takes 0.3 s.
"""

from __future__ import annotations

import math

import numpy as np

from rowcall.events.noise import HALF
from rowcall.model import Floats

_PENALTY = 3.0  # [-] times variance times ln(n); chosen: the docstring says what it gives
_SHORT = 20.0  # [d] chosen: few days measure their noise badly; see the docstring too
_MIN_NOISE_FRAC = 0.01  # [-] chosen: a daily median is never taken as better than 1 % of its level


def find_steps(value: Floats) -> list[int]:
    """Return the indices at which a new level begins, rising; value has shape (n,)."""
    n = value.size
    if n < 5:
        return []
    penalty = _PENALTY * (1 + _SHORT / n) * noise_variance(value) * math.log(n)
    steps = best_steps(value, penalty)
    if not steps:
        return []
    levels = sum(float(part.var() * part.size) for part in np.split(value, steps))
    day = np.arange(n, dtype=np.float64)
    line = value - np.polyval(np.polyfit(day, value, 1), day)
    is_line = float(line @ line) + penalty <= levels + len(steps) * penalty
    return [] if is_line else steps


def noise_variance(value: Floats) -> float:
    """Return the variance of the day-to-day noise, robust against steps (median of differences)."""
    sigma = float(np.median(np.abs(np.diff(value)))) / (HALF * math.sqrt(2))
    return max(sigma, _MIN_NOISE_FRAC * abs(float(np.median(value)))) ** 2


def best_steps(value: Floats, penalty: float) -> list[int]:
    """Return the steps, rising, of least sum of squares around the levels, plus a penalty a step.

    The best levels up to a day are, for some last step, the best up to there and one level after.
    """
    centred = value - value.mean()
    total, square = (np.concatenate(([0.0], np.cumsum(one))) for one in (centred, centred**2))
    cost, last_step = np.zeros(value.size + 1), np.zeros(value.size + 1, np.int64)
    for end in range(1, value.size + 1):
        days = np.arange(end, 0, -1.0)
        level = square[end] - square[:end] - (total[end] - total[:end]) ** 2 / days
        costs = cost[:end] + level + penalty
        last_step[end] = costs.argmin()
        cost[end] = costs[last_step[end]]
    steps, step = list[int](), int(last_step[-1])
    while step:
        steps.insert(0, step)
        step = int(last_step[step])
    return steps
