"""Instants of the fires of a cadence, as the drops of their neighbours show them.

A drop only says that its fire lies between two samples, and a late valve's steepest fall lies a
sample later than its fire. But the controller keeps an even cadence: moved along the interval, the
drops of all beats around one bracket its instant too, and where most of these brackets overlap the
fire lies. A row's own lateness is outvoted there. Where the sampling is in step with the beat all
brackets are the same, and the instant stays as uncertain as one drop leaves it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_SIDE = 50  # chosen: beats on either side; a timer's own unevenness adds up over more
_POOL = 200  # chosen: beats on either side that give the interval; it may drift
_EVERY = 4  # chosen: beats; in between, instants lie on a straight line to the millisecond
_MIN_DROPS = 8  # chosen: drops around a beat that give its instant better than its own
# Of a drop's width; further off the middle, it is no neighbour's drop in time; chosen
_MAX_OFF = 0.7
_EXTREME = 0.05  # chosen: share of the brackets that may miss the fire
_LATER_S = trade.VALVE_OPEN.value  # a fall may show so much later than its fire
_SHARP_S = 0.1  # chosen: an instant known so well blurs no curve


def sharpen(
    low_s: Floats, high_s: Floats, seen: Bools, segment: Ints, later_s: float = _LATER_S
) -> tuple[Floats, Floats]:
    """Return bounds of the instants of all beats, at most as far apart as those given.

    Equal where an instant is known to 0.1 s.

    Args:
        low_s, high_s: samples around each beat's drop, shape (n_beats,), every beat of a segment
            on end [s].
        seen: whether there was a drop, same shape; the others' bounds are not looked at.
        segment: bout of even cadence of each beat, rising.
        later_s: by how much a fire's sign may come later than the fire, at most [s].
    """
    if not seen.any():
        return low_s, high_s
    first = np.searchsorted(segment, segment, "left")
    last = np.searchsorted(segment, segment, "right") - 1
    at = np.arange(segment.size)
    low, high = np.maximum(at - _SIDE, first), np.minimum(at + _SIDE, last)
    knot = np.flatnonzero(((at - first) % _EVERY == 0) | (at == last))
    slope = _interval((low_s + high_s) / 2, seen, low, high)
    middle, half, n = _around(low_s, high_s, seen, slope, (knot, low[knot], high[knot]))
    instant = np.interp(at, knot, middle) - later_s / 2
    half = np.interp(at, knot, half)
    is_known = (np.interp(at, knot, n) >= _MIN_DROPS) & (2 * half <= high_s - low_s)
    half = np.where(half <= _SHARP_S, 0.0, half)
    return np.where(is_known, instant - half, low_s), np.where(is_known, instant + half, high_s)


def _around(
    low_s: Floats, high_s: Floats, seen: Bools, slope: Floats, window: tuple[Ints, Ints, Ints]
) -> tuple[Floats, Floats, Ints]:
    """What the drops from `low` to `high` show of each knot: instant, half-width, their number."""
    knot, low, high = (part[:, None] for part in window)
    beat = knot + np.arange(-_SIDE, _SIDE + 1)
    inside = (beat >= low) & (beat <= high)
    away = beat - knot
    projected = slope[knot] * away + _drift(slope)[knot] * away**2 / 2
    beat = np.clip(beat, 0, seen.size - 1)
    return _overlap(low_s[beat] - projected, high_s[beat] - projected, inside & seen[beat])


def _interval(time_s: Floats, seen: Bools, low: Ints, high: Ints) -> Floats:
    """Interval at each beat [s]: slopes of the beats around it, of all windows near it together."""
    at = np.arange(seen.size)
    one, time, place = seen.astype(np.float64), np.where(seen, time_s, 0.0), at.astype(np.float64)
    n, k, kk, t, kt = (
        _windowed(part, low, high)
        for part in (one, one * place, one * place**2, time, time * place)
    )
    many = np.maximum(n, 1.0)
    spread, lean = kk - k**2 / many, kt - k * t / many
    around = np.maximum(at - _POOL, 0), np.minimum(at + _POOL, at.size - 1)
    pooled: Floats = _windowed(lean, *around) / np.maximum(_windowed(spread, *around), 1.0)
    return pooled


def _drift(slope: Floats) -> Floats:
    """Change of the interval from one beat to the next [s]."""
    at = np.arange(slope.size)
    low, high = np.maximum(at - _SIDE, 0), np.minimum(at + _SIDE, at.size - 1)
    change: Floats = (slope[high] - slope[low]) / np.maximum(high - low, 1)
    return change


def _windowed(values: Floats, low: Ints, high: Ints) -> Floats:
    """Sum of the values from `low` to `high` of each window, both counted."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray(total[high + 1] - total[low])


def _overlap(low_s: Floats, high_s: Floats, used: Bools) -> tuple[Floats, Floats, Ints]:
    """Middle and half-width of where most brackets of each line overlap, and their number."""
    middle = np.where(used, (low_s + high_s) / 2, np.nan)
    centre = _quantile(middle, 0.5)
    width = _quantile(np.where(used, high_s - low_s, np.nan), 0.5)
    used = used & (np.abs(middle - centre[:, None]) <= _MAX_OFF * width[:, None])
    early = _quantile(np.where(used, low_s, np.nan), 1 - _EXTREME)
    late = _quantile(np.where(used, high_s, np.nan), _EXTREME)
    return (early + late) / 2, np.abs(late - early) / 2, used.sum(axis=1)


def _quantile(values: Floats, share: float) -> Floats:
    """Quantile along each line, nan left out; nan where nothing else is there."""
    held = np.sort(values, axis=1)
    n = np.isfinite(held).sum(axis=1)
    place = np.rint(share * np.maximum(n - 1, 0)).astype(np.int64)
    return np.asarray(held[np.arange(n.size), place])
