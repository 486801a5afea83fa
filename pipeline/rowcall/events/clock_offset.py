"""The offset between the clock that stamps the solenoid bits and the one of the header pressure.

Every answered fire brackets the offset: the steepest fall of header pressure between two samples
says that the (shifted) fire lies between them, give or take the time a valve takes to open. The
offset on which most brackets agree is the estimate; brackets that drift against the sampling clock
narrow it far below the sampling period, and brackets locked in step with it cannot. Rows fired at
an even interval tell an offset only up to whole intervals, so none is looked for beyond half of one
(nor at all where the samples lie further apart than that).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowcall import trade
from rowcall.events.fires import Fires
from rowcall.model import Floats, Signal

_REACH_S = 5.0  # chosen: clocks further apart than this are a fault to be mended, not removed
_GRID_S = 0.05
_FEWEST = 20  # chosen: fewer answered fires do not settle an offset
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
    if float(np.median(np.diff(header.time_s))) > reach_s:
        return None
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
