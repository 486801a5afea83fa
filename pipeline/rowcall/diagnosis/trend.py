"""A robust trend with an interval that takes autocorrelation seriously.

Slope: Theil-Sen, the median of the slopes between all pairs of points. Interval: Sen (1968), from
the variance of Kendall's S. That variance holds for independent residuals; residuals that remember
the day before make S vary more, so it is multiplied by (1 + r) / (1 - r), the long-run variance
of a first-order autoregression with coefficient r (Yue and Wang 2004 use the same factor). The
sample coefficient of detrended residuals is biased low by about (2 + 4 r) / n (Kendall 1954), which
matters for a week of points; it is corrected for, and never taken as negative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rowcall.model import Floats

_MOST_MEMORY = 0.9  # chosen: above it, a trend and a wandering level cannot be distinguished


@dataclass(frozen=True, slots=True)
class Trend:
    """A straight line through a series and the 95 % interval of its slope.

    Attributes:
        slope, low, high: change of value per unit of time.
        level: value of the line at the last point.
        memory: first-order autocorrelation that the interval allows for [-].
        n: number of points.
    """

    slope: float
    low: float
    high: float
    level: float
    memory: float
    n: int


def theil_sen(time: Floats, value: Floats, z: float = 1.959964) -> Trend | None:
    """Fit a trend to a series (both shape (n,), time rising); None for fewer than five points."""
    n = value.size
    if n < 5:
        return None
    first, second = np.triu_indices(n, 1)
    slopes = np.sort((value[second] - value[first]) / (time[second] - time[first]))
    slope = float(np.median(slopes))
    rest = value - slope * time
    offset = float(np.median(rest))
    memory = _memory(rest - offset)
    spread = z * math.sqrt(n * (n - 1) * (2 * n + 5) / 18 * (1 + memory) / (1 - memory))
    # From 1 the limits are the floor(M1)-th and ceil(M2 + 1)-th slope; indices count from 0.
    low = int(np.floor((slopes.size - spread) / 2)) - 1
    high = int(np.ceil((slopes.size + spread) / 2))
    return Trend(
        slope=slope,
        low=float(slopes[low]) if low >= 0 else -math.inf,
        high=float(slopes[high]) if high < slopes.size else math.inf,
        level=slope * float(time[-1]) + offset,
        memory=memory,
        n=n,
    )


def _memory(residual: Floats) -> float:
    """First-order autocorrelation of detrended residuals, corrected for its bias."""
    n = residual.size
    centred = residual - residual.mean()
    power = float(centred @ centred)
    if power <= 0:
        return 0.0
    raw = float(centred[1:] @ centred[:-1]) / power
    corrected = (n * raw + 2) / (n - 4) if n > 4 else raw
    return min(max(corrected, 0.0), _MOST_MEMORY)
