"""How much a signal scatters, from second differences and medians that pulses hardly touch."""

from __future__ import annotations

import numpy as np

from rowcall.condition.quantiles import median, quantile
from rowcall.model import Floats, Signal

# Quantiles of |N(0, 1)|: a quantile of absolute values over it is the standard deviation.
TENTH, QUARTER, HALF = 0.1257, 0.3186, 0.6745
TO_DEVIATION = 1.4826  # 1 / HALF: median absolute deviation of a normal distribution to its sigma
BEND = np.sqrt(6.0)  # standard deviation of a second difference of white noise of deviation 1
_MIN_POINTS = 8  # chosen: of fewer points no quartile is known


def noise_of(signal: Signal) -> float:
    """Return the standard deviation of a signal's noise from its second differences [its unit].

    The lower quartile is used, so that pulses and refills (at most half of the points bend
    noticeably) do not count. 0 for fewer than eight points.
    """
    if signal.value.size < _MIN_POINTS:
        return 0.0
    return float(quantile(np.abs(np.diff(signal.value, 2)), 0.25) / (QUARTER * BEND))


def median_bend_noise(bend: Floats) -> float:
    """Return the noise that second differences show, by their median [their unit]."""
    return float(median(np.abs(bend)) / (HALF * BEND))


def median_deviation(value: Floats) -> float:
    """Return the median absolute deviation from the median, as a standard deviation."""
    return TO_DEVIATION * median(np.abs(value - median(value)))
