"""The clock offset where samples lie so far apart that no fall shows between two of them.

The points of all fires are folded on the time since the fire before, and the offset is the one at
which the header's curve, repeated every interval, fits them best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.events.clocks.drift import ClockOffset, Drift, block_edges
from rowcall.events.clocks.even_drift import even_drift
from rowcall.events.firing.recorded import Fires
from rowcall.events.passed import passed
from rowcall.events.stacking.pulse_curve import curve_shape
from rowcall.model import Floats, Signal

Ints = npt.NDArray[np.int64]

_MIN_POINTS = 200  # points; chosen: one a cell of a usual interval of 20 s
# Width of a cell, and step of the offsets tried; chosen: a pulse's fall takes 0.1-0.2 s
_FOLD_S = 0.1
# Recovery constants tried; chosen: by doubling about the usual 1-5 s, for depth makes up the rest
_FOLD_TAUS_S = (0.7, 1.4, 2.8, 5.6, 11.2)
_FOLD_BLOCK = 60  # chosen: points; several intervals, and few minutes, at the samplings in question
_MIN_MIXED = 0.7  # chosen: of the rows that chance would bring to the phases; in step half or less
_N_FITTED = 4  # offset, recovery constant, depth and level
_MAX_LOSS = 8.0  # chosen: log-likelihoods within which offsets are equally good
_MIN_GAIN = 0.005  # chosen: log-likelihood a point that a drift must gain
_EVEN_SHARE = 0.5  # chosen: of what offsets free in every block would gain; misfit gains no line
# Chosen: cells taken together, and share of them that must hold points
_WIDE, _MIN_COVERED = 5, 0.85
_MIN_DRIFT_STEPS = 0.1  # of the sampling period; chosen: a smaller drift looks like misfit
_FIT_BLOCKS = 12  # chosen: two hours settle depth and tau, and clocks drift little meanwhile


@dataclass(frozen=True, slots=True)
class _Folded:
    """Points of a header folded on the interval of its fires, shape (n,) but for the last two.

    Attributes:
        time_s, since_s: instant, and time since the fire before by the fires' clock [s].
        y: deficit relative to the level around [-].
        row: row of the fire before, as a place among all rows.
        interval_s: between fires [s].
        edges_s: of the blocks of the day [s].
    """

    time_s: Floats
    since_s: Floats
    y: Floats
    row: Ints
    interval_s: float
    edges_s: Floats


def _folded(header: Signal, fires: Fires) -> _Folded | None:
    interval_s = float(np.median(np.diff(fires.high_s)))
    fire = passed(header.time_s, fires.high_s) - 1
    since = header.time_s - fires.high_s[np.maximum(fire, 0)]
    inside = (fire >= 0) & (since < interval_s)
    if inside.sum() < _MIN_POINTS:
        return None
    _, row = fires.by_row()
    return _Folded(
        time_s=header.time_s[inside],
        since_s=since[inside],
        y=(1.0 - header.value / np.maximum(_running_median(header.value), 1.0))[inside],
        row=row[fire[inside]],
        interval_s=interval_s,
        edges_s=block_edges(float(header.time_s[-1])),
    )


def _bins(points: _Folded) -> Floats:
    return np.arange(0.0, points.interval_s + _FOLD_S, _FOLD_S)


def _sums(points: _Folded, blocks_each: int) -> tuple[Floats, Floats]:
    """Number and sum of the points in every cell, shape (n_cells, n_blocks / blocks_each)."""
    bins, n_blocks = _bins(points), points.edges_s.size - 1
    n, n_cells = -(-n_blocks // blocks_each), bins.size - 1
    cell = np.clip(np.searchsorted(bins, points.since_s, side="right") - 1, 0, n_cells - 1)
    block = np.searchsorted(points.edges_s, points.time_s, "right") - 1
    at = cell * n + np.clip(block, 0, n_blocks - 1) // blocks_each
    count = np.bincount(at, minlength=n_cells * n).astype(np.float64)
    total = np.bincount(at, points.y, n_cells * n).astype(np.float64)
    return count.reshape(-1, n), total.reshape(-1, n)


def _shapes(points: _Folded, grid: Floats, tau_s: float) -> Floats:
    """A header's curve of unit drop in every cell, at every offset, shape (n_grid, n_cells)."""
    bins = _bins(points)
    since = ((bins[:-1] + bins[1:])[None, :] / 2 - grid[:, None]) % points.interval_s
    return curve_shape(since, trade.VALVE_OPEN.value, tau_s, 0.0)


def folded_offset(header: Signal, fires: Fires, reach_s: float) -> ClockOffset | None:
    """Offset at which the header's curve, repeated every interval, fits best.

    None where no offset fits much better than all others do. Samples in step with the pulses meet
    them at few phases: what cells differ by counts as noise, and between two of them the fall may
    lie anywhere. Where each phase is one of few rows, a deep or silent row looks like an offset.
    """
    points = _folded(header, fires)
    if points is None or not _is_mixed(points) or not np.ptp(points.y) > 0.0:
        return None
    count, total = _sums(points, points.edges_s.size)
    grid = _fold_grid(reach_s)
    best = np.full(grid.size, -np.inf)
    for tau in _FOLD_TAUS_S:
        best = np.maximum(best, _gain(_shapes(points, grid, tau), count, total)[:, 0])
    y, is_met = points.y, count[:, 0] > 0
    n_free = int(is_met.sum()) - _N_FITTED
    if n_free < 1:
        return None
    base = y.sum() ** 2 / y.size
    left = float(y @ y - base - best.max()) / max(y.size - _N_FITTED, 1)
    of_cells = float((total[is_met] ** 2 / count[is_met]).sum() - base - best.max()) / n_free
    # With the variance unknown, the log-likelihood is that of the log of the squares left.
    allowed = n_free * np.expm1(2 * _MAX_LOSS / n_free) * max(left, of_cells, 0.0)
    near = grid[best >= best.max() - allowed]
    first, last = _between_cells(float(near[0]), float(near[-1]), is_met, points.interval_s)
    if last - first > reach_s:
        return None
    return ClockOffset(
        0.0 if first <= 0.0 <= last else (first + last) / 2,
        max((last - first) / 2, _FOLD_S / 2),
    )


def _between_cells(
    first_s: float, last_s: float, is_met: npt.NDArray[np.bool_], interval_s: float
) -> tuple[float, float]:
    """Widen bounds of an offset to the cells with points on either side of the fall [s]."""
    met = (np.flatnonzero(is_met) + 0.5) * _FOLD_S
    around = np.concatenate((met - interval_s, met, met + interval_s))
    fallen_s = trade.VALVE_OPEN.value
    before = around[np.searchsorted(around, first_s + _FOLD_S / 2, "right") - 1]
    after = around[np.searchsorted(around, last_s + fallen_s - _FOLD_S / 2)]
    return min(first_s, float(before)), max(last_s, float(after) - fallen_s)


def _is_mixed(points: _Folded) -> bool:
    """Whether each phase is met after about as many rows as chance would bring there."""
    n_rows = int(points.row.max()) + 1
    cell = (points.since_s / _FOLD_S).astype(np.int64)
    n_met = np.unique(cell * n_rows + points.row).size
    by_chance = n_rows * (1.0 - (1.0 - 1.0 / n_rows) ** np.bincount(cell)).sum()
    return bool(n_met >= _MIN_MIXED * by_chance)


def folded_drift(header: Signal, fires: Fires, reach_s: float) -> Drift | None:
    """Follow the offset at which the header's curve fits the points of each block.

    Depth, tau and scatter of the curve come from blocks long enough to show them, each fitted at
    an offset of its own, so that a drift does not blur them.
    """
    points = _folded(header, fires)
    if points is None or points.edges_s.size <= _FIT_BLOCKS:
        return None
    grid = _fold_grid(reach_s)
    count, total = _sums(points, _FIT_BLOCKS)
    if not _is_spread(count):
        return None
    gains = [_gain(_shapes(points, grid, tau), count, total) for tau in _FOLD_TAUS_S]
    best = int(np.argmax([gain.max(axis=0).sum() for gain in gains]))
    shapes, at = _shapes(points, grid, _FOLD_TAUS_S[best]), gains[best].argmax(axis=0)
    n, line = np.maximum(count.sum(axis=0), 1.0), np.arange(at.size)
    s_f, s_y = (shapes @ count)[at, line], total.sum(axis=0)
    spread = (shapes**2 @ count)[at, line] - s_f**2 / n
    drop = float(np.median(((shapes @ total)[at, line] - s_f * s_y / n) / np.maximum(spread, 1e-9)))
    base = float(np.median((s_y - drop * s_f) / n))
    whole = float(points.y @ points.y - (s_y**2 / n).sum() - gains[best].max(axis=0).sum())
    variance = max(whole / max(points.y.size - 3 * at.size, 1), 1e-12)
    count, total = _sums(points, 1)
    match = shapes @ total - base * (shapes @ count) - drop / 2 * (shapes**2 @ count)
    found = even_drift((drop / variance * match).T, grid, points.edges_s)
    least_s = _MIN_DRIFT_STEPS * float(np.median(np.diff(header.time_s)))
    is_needed = np.ptp(found.drift.offset_s) >= least_s and found.gain >= max(
        _MIN_GAIN * points.y.size, _EVEN_SHARE * found.max_gain
    )
    return found.drift if is_needed else None


def _is_spread(count: Floats) -> bool:
    """Whether the points of most blocks meet the pulses at most phases, none of them in step.

    In step, a drift of the sampling against the pulses looks like one of the clocks.
    """
    wide = np.add.reduceat(count, np.arange(0, len(count), _WIDE), axis=0)
    return bool(np.median(np.mean(wide > 0, axis=0)) >= _MIN_COVERED)


def _fold_grid(reach_s: float) -> Floats:
    return np.arange(-int(reach_s / _FOLD_S), int(reach_s / _FOLD_S) + 1) * _FOLD_S


def _gain(shapes: Floats, count: Floats, total: Floats) -> Floats:
    """Squares explained by d * shape + constant, d > 0, shape (n_grid, n_blocks)."""
    n = np.maximum(count.sum(axis=0), 1.0)
    s_f, s_y = shapes @ count, total.sum(axis=0)
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
