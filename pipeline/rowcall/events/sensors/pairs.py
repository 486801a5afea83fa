"""Tags that show the same gas: how far apart they read, and which of two is the later."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from rowcall.condition.state import Mask
from rowcall.model import Floats

_MIN_MIN = 60  # chosen: an hour together shows how far apart two tags read
_MAX_LAG_MIN = 20  # chosen: longer than bags and casing delay the gas's heat
_SMOOTH_MIN = 45  # chosen: what changes more slowly shows no lag of minutes
_MIN_CORRELATION = 0.5  # chosen: below, what the two share is not what moves them


def apart(by_place: Mapping[int, Floats], is_together: Mask) -> dict[int, float]:
    """Return how far each tag reads from the median of the others of its role [its unit].

    by_place: minute means by compartment, 0 the whole baghouse.
    is_together: minutes in which all see the same gas.
    """
    known = is_together & np.all([np.isfinite(one) for one in by_place.values()], axis=0)
    if len(by_place) < 2 or known.sum() < _MIN_MIN:
        return {}
    return {
        place: float(
            np.median(own[known] - _median([o[known] for p, o in by_place.items() if p != place]))
        )
        for place, own in by_place.items()
    }


def _median(others: Sequence[Floats]) -> Floats:
    middle: Floats = np.median(others, axis=0)
    return middle


def lag_min(earlier: Floats, later: Floats, is_running: Mask) -> float:
    """Return by how many minutes `later` follows `earlier`, nan where they share no movement.

    Negative where it comes before. Both by minute; slow changes and levels are left out.
    """
    known = is_running & np.isfinite(earlier) & np.isfinite(later)
    if known.sum() < 6 * _MIN_MIN:
        return math.nan
    one, other = (_fast(value, known) for value in (earlier, later))
    lags = range(-_MAX_LAG_MIN, _MAX_LAG_MIN + 1)
    fits = [_correlation(one, other, lag) for lag in lags]
    best = int(np.argmax(fits))
    inside = 0 < best < len(fits) - 1
    return float(lags[best]) if inside and fits[best] >= _MIN_CORRELATION else math.nan


def _fast(value: Floats, known: Mask) -> Floats:
    """Return a signal without what is slower than `_SMOOTH_MIN`, nan where it is not known."""
    weight = known.astype(float)
    window = np.ones(2 * _SMOOTH_MIN + 1)
    total = np.convolve(np.where(known, value, 0.0), window, "same")
    slow = total / np.maximum(np.convolve(weight, window, "same"), 1.0)
    short = np.ones(5)
    fast = np.convolve(np.where(known, value - slow, 0.0), short, "same")
    fast /= np.maximum(np.convolve(weight, short, "same"), 1.0)
    return np.where(known, fast, np.nan)


def _correlation(one: Floats, other: Floats, lag: int) -> float:
    left = one[: one.size - lag] if lag >= 0 else one[-lag:]
    right = other[lag:] if lag >= 0 else other[: other.size + lag]
    both = np.isfinite(left) & np.isfinite(right)
    if both.sum() < _MIN_MIN:
        return -1.0
    x, y = left[both] - left[both].mean(), right[both] - right[both].mean()
    scale = math.sqrt(float(x @ x) * float(y @ y))
    return float(x @ y) / scale if scale > 0 else -1.0
