"""The offset between the clock that stamps the solenoid bits and the one of the header pressure.

Every answered fire brackets the offset: the steepest fall of header pressure between two samples
says that the (shifted) fire lies between them, give or take the time a valve takes to open. The
offset on which most brackets agree is the estimate; brackets that drift against the sampling clock
narrow it far below the sampling period, and brackets locked in step with it cannot. Where samples
lie so far apart that no fall shows between two of them, all fires are folded on their
interval (`folded`). Clocks that drift against each other, or of which one is set in between,
are followed through the day where the data ask for it (`drift`, `even_drift`). Rows fired at
an even interval give an offset only up to whole intervals, so none is looked for beyond half of
one.
"""

from __future__ import annotations

import numpy as np

from rowcall import trade
from rowcall.events.clocks.drift import ClockOffset, Drift, block_edges, follow
from rowcall.events.clocks.folded import folded_drift, folded_offset
from rowcall.events.firing.recorded import Fires
from rowcall.model import Floats, Signal

_REACH_S = 5.0  # chosen: clocks further apart than this are a fault to be repaired, not corrected
_GRID_S = 0.05  # chosen: an offset off by half of it blurs no curve
_MIN_FIRES = 20  # chosen: fewer answered fires do not settle an offset
_MAX_STEP_S = 2.5  # chosen: samples further apart show no steep fall of their own
_MIN_DRIFT_S = 0.15  # chosen: a drift that hardly blurs a stack is not followed
_VOTE = 2.0  # chosen: log-likelihood of a bracket held; less than its share, for they err alike
_N_INSTANTS = 201  # instants of a day that stand for its median; chosen: one every seven minutes
_NEAR_BEST = 0.98  # of the most brackets; chosen: counts within 2 % differ by chance only


def clock_offset(header: Signal, fires: Fires) -> ClockOffset | None:
    """Return the offset of the fires' clock, or None where it cannot be found.

    Only fires whose instant is known are used. An interval that holds zero is taken as zero: no
    correction is made that the data do not ask for. For the same reason a drift is followed only
    where it explains the day much better than a constant offset.
    """
    exact = fires.pick(fires.low_s == fires.high_s)
    if exact.size < _MIN_FIRES or header.time_s.size < _MIN_FIRES:
        return None
    reach_s = min(_REACH_S, float(np.median(np.diff(exact.high_s))) / 2)
    if float(np.median(np.diff(header.time_s))) > min(reach_s, _MAX_STEP_S):
        return _drifting(folded_drift(header, exact, reach_s)) or folded_offset(
            header, exact, reach_s
        )
    low, high = _brackets(header, exact.high_s, reach_s)
    known = np.isfinite(low) & np.isfinite(high)
    low, high, fire_s = low[known], high[known], exact.high_s[known]
    if low.size < _MIN_FIRES:
        return None
    n_grid = int(reach_s / _GRID_S)
    grid = np.arange(-n_grid, n_grid + 1) * _GRID_S
    return _drifting(_bracket_drift(fire_s, low, high, grid)) or _agreed(low, high, grid)


def _drifting(drift: Drift | None) -> ClockOffset | None:
    if drift is None:
        return None
    half = max(2.0 * float(np.median(drift.error_s)), _GRID_S / 2)
    evenly = np.linspace(drift.at_s[0], drift.at_s[-1], _N_INSTANTS)
    return ClockOffset(float(np.median(np.interp(evenly, drift.at_s, drift.offset_s))), half, drift)


def _agreed(low: Floats, high: Floats, grid: Floats) -> ClockOffset:
    """The offset that most brackets hold."""
    starts, ends = np.sort(low), np.sort(high)
    agree = np.searchsorted(starts, grid, "right") - np.searchsorted(ends, grid, "left")
    best = grid[agree >= _NEAR_BEST * agree.max()]
    first, last = float(best[0]), float(best[-1])
    half = max((last - first) / 2, _GRID_S / 2)
    middle = 0.0 if first <= 0.0 <= last else (first + last) / 2
    return ClockOffset(middle, half)


def _bracket_drift(fire_s: Floats, low: Floats, high: Floats, grid: Floats) -> Drift | None:
    """Follow the offset that most brackets of each block hold."""
    edges = block_edges(float(fire_s[-1]))
    block = np.clip(np.searchsorted(edges, fire_s, "right") - 1, 0, edges.size - 2)
    change = np.zeros((edges.size - 1, grid.size + 1))
    np.add.at(change, (block, np.searchsorted(grid, low, "left")), _VOTE)
    np.add.at(change, (block, np.searchsorted(grid, high, "right")), -_VOTE)
    return follow(np.cumsum(change, axis=1)[:, :-1], grid, edges, _MIN_DRIFT_S)


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
