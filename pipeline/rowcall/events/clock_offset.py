"""The offset between the clock that stamps the solenoid bits and the one of the header pressure.

Every answered fire brackets the offset: the steepest fall of header pressure between two samples
says that the (shifted) fire lies between them, give or take the time a valve takes to open. The
offset on which most brackets agree is the estimate; brackets that drift against the sampling clock
narrow it far below the sampling period, and brackets locked in step with it cannot. Where
samples lie so far apart that no fall can be told between two of them, the points of all fires are
folded on the time since the fire before, and the offset is the one at which the header's curve fits
them best. Rows fired at an even interval tell an offset only up to whole intervals, so none is
looked for beyond half of one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowcall import trade
from rowcall.events.fires import Fires
from rowcall.events.header_curve import curve_shape
from rowcall.model import Floats, Signal

_REACH_S = 5.0  # chosen: clocks further apart than this are a fault to be mended, not removed
_GRID_S = 0.05
_FEWEST = 20  # chosen: fewer answered fires do not settle an offset
_FALLS_S = 2.5  # chosen: samples further apart show no steep fall of their own
_FEWEST_FOLDED = 200  # chosen: points
_FOLD_S = 0.1
_FOLD_TAUS_S = (0.7, 1.4, 2.8, 5.6, 11.2)
_FOLD_BLOCK = 60  # chosen: points; several intervals, and few minutes, at the samplings in question
_FOLD_SURE = 8.0  # chosen: log-likelihoods within which offsets are not told apart
_NEAR_BEST = 0.98  # offsets within 2 % of the best count are told apart by chance only


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """Seconds to add to fire times so that they match the pressure, and the half-width of it."""

    offset_s: float
    half_width_s: float


def clock_offset(header: Signal, fires: Fires) -> ClockOffset | None:
    """Return the offset of the fires' clock, or None where it cannot be told.

    Only fires whose instant is known are used. An interval that holds zero is taken as zero: no
    correction is made that the data do not ask for.
    """
    exact = fires.pick(fires.low_s == fires.high_s)
    if exact.size < _FEWEST or header.time_s.size < _FEWEST:
        return None
    reach_s = min(_REACH_S, float(np.median(np.diff(exact.high_s))) / 2)
    if float(np.median(np.diff(header.time_s))) > min(reach_s, _FALLS_S):
        return folded_offset(header, exact, reach_s)
    low, high = _brackets(header, exact.high_s, reach_s)
    low, high = low[np.isfinite(low)], high[np.isfinite(high)]
    if low.size < _FEWEST:
        return None
    n_grid = int(reach_s / _GRID_S)
    grid = np.arange(-n_grid, n_grid + 1) * _GRID_S
    starts, ends = np.sort(low), np.sort(high)
    agree = np.searchsorted(starts, grid, "right") - np.searchsorted(ends, grid, "left")
    best = grid[agree >= _NEAR_BEST * agree.max()]
    first, last = float(best[0]), float(best[-1])
    half = max((last - first) / 2, _GRID_S / 2)
    middle = 0.0 if first <= 0.0 <= last else (first + last) / 2
    return ClockOffset(middle, half)


def _brackets(header: Signal, fire_s: Floats, reach_s: float) -> tuple[Floats, Floats]:
    """Bounds of the offset that each fire's steepest fall allows; nan where it shows no fall."""
    fall = header.value[:-1] - header.value[1:]
    begin = np.searchsorted(header.time_s, fire_s - reach_s)
    width = int(2 * reach_s / float(np.median(np.diff(header.time_s)))) + 2
    index = begin[:, None] + np.arange(width)[None, :]
    inside = (index < fall.size) & (
        header.time_s[np.minimum(index, fall.size)] <= fire_s[:, None] + reach_s
    )
    falls = np.where(inside, fall[np.minimum(index, fall.size - 1)], -np.inf)
    at = np.argmax(falls, axis=1)
    line = np.arange(fire_s.size)
    deepest, where = falls[line, at], np.minimum(index[line, at], fall.size - 1)
    answered = deepest > 0.3 * np.quantile(deepest, 0.9)
    low = header.time_s[where] - fire_s - trade.VALVE_OPEN.value
    high = header.time_s[where + 1] - fire_s
    return np.where(answered, low, np.nan), np.where(answered, high, np.nan)


def folded_offset(header: Signal, fires: Fires, reach_s: float) -> ClockOffset | None:
    """Offset at which the header's curve, led round and round the interval, fits best.

    None where no offset fits much better than all others do.
    """
    interval_s = float(np.median(np.diff(fires.high_s)))
    fire = np.searchsorted(fires.high_s, header.time_s, side="right") - 1
    since = header.time_s - fires.high_s[np.maximum(fire, 0)]
    inside = (fire >= 0) & (since < interval_s)
    if inside.sum() < _FEWEST_FOLDED:
        return None
    level = _running_median(header.value)
    y = (1.0 - header.value / np.maximum(level, 1.0))[inside]
    bins = np.arange(0.0, interval_s + _FOLD_S, _FOLD_S)
    cell = np.clip(np.searchsorted(bins, since[inside], side="right") - 1, 0, bins.size - 2)
    count = np.bincount(cell, minlength=bins.size - 1).astype(np.float64)
    total = np.bincount(cell, y, bins.size - 1).astype(np.float64)
    middle = (bins[:-1] + bins[1:]) / 2
    grid = np.arange(-int(reach_s / _FOLD_S), int(reach_s / _FOLD_S) + 1) * _FOLD_S
    best = np.full(grid.size, -np.inf)
    for tau in _FOLD_TAUS_S:
        shapes = curve_shape(
            (middle[None, :] - grid[:, None]) % interval_s, trade.VALVE_OPEN.value, tau, 0.0
        )
        best = np.maximum(best, _gain(shapes, count, total))
    left = float(y @ y - y.sum() ** 2 / y.size - best.max()) / max(y.size - 4, 1)
    near = grid[best >= best.max() - 2 * _FOLD_SURE * left]
    first, last = float(near[0]), float(near[-1])
    if last - first > reach_s:
        return None
    return ClockOffset(
        0.0 if first <= 0.0 <= last else (first + last) / 2,
        max((last - first) / 2, _FOLD_S / 2),
    )


def _gain(shapes: Floats, count: Floats, total: Floats) -> Floats:
    """Squares explained by d * shape + constant, d > 0; one a line of `shapes`."""
    n = count.sum()
    s_f, s_y = shapes @ count, total.sum()
    s_ff = (shapes**2) @ count - s_f**2 / n
    s_fy = shapes @ total - s_f * s_y / n
    gain: Floats = np.where(s_fy > 0, s_fy**2 / np.maximum(s_ff, 1e-12), 0.0)
    return gain


def _running_median(value: Floats) -> Floats:
    """Medians of blocks of points, joined: where the supply wanders to."""
    size = min(_FOLD_BLOCK, value.size)
    whole = value.size // size * size
    level = np.median(value[:whole].reshape(-1, size), axis=1)
    at = (np.arange(level.size) + 0.5) * size
    return np.asarray(np.interp(np.arange(value.size), at, level))
