"""Each row's puff: shape and delay from all rows together, then how far a row stands out.

A first shape (steep, then falling on a line; three lengths) is moved over the delays that are
possible; the one that explains most is then bent to what the pulses show, by least squares without
negative values. How far the largest row stands out by chance is seen by permuting the rows within
each pass: that keeps times, overlaps, the scatter of the signal and the order of passes as they
are. With even intervals and a fixed order, a delay longer by an interval is the row before: where
other delays explain as much, the rows that lead there are named as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls

from rowcall.events.dust.puff_model import (
    Cells,
    Design,
    Fired,
    Fit,
    Ints,
    Mask,
    Shaped,
    block_means,
    cells_of,
    fired_of,
    solved,
)
from rowcall.model import Floats

MAX_DELAY_S = 40.0  # chosen: 200 m of duct at 5 m/s
_FINE_S, _COARSE_S = 1.0, 2.0  # of a cell; chosen: half of the shortest puff, and finer ...
_MANY_S = 3.0  # ... where points lie further apart, which are few: they gain most by it
_LENGTHS_S = (4.0, 10.0, 24.0)  # of the first shapes; chosen: a plug, and mixing in a duct
_MAX_LEADERS, _WORTH = 4, 0.6  # chosen: rows whose delays are looked at closer, share of the gain
_MAX_SHAPE_S = 48.0  # chosen: twice the longest first shape
_LEAD_S = 4.0  # a bent shape may begin so much earlier than the first one; chosen
_FLOOR = 0.05  # chosen: what is lower than that share of the peak is not shape
_SMOOTH = 0.02  # [-] of the information, against jumps from cell to cell; chosen
_N_PERMUTED = 99  # chosen: p down to 0.1 by counting, lower by the tail
_MIN_COUNTED = 10  # chosen: of fewer exceeding ones, the tail of a Gumbel distribution says more
_AS_WELL = 12.0  # chosen: 2 log of a likelihood ratio of 400
_MISFIT = 0.1  # [-] of the gain; chosen: what the grid makes of a delay between its cells
_BREAK = 1.5  # [-] of the usual interval; chosen: a longer one is a rest
_AFTER_S = 10.0  # shown after a puff's end; chosen
_EULER = 0.5772156649
_MIN_POINTS = 60  # chosen: an hour, a point a minute
_MIN_PULSES = 20  # chosen: of a row, on average


@dataclass(frozen=True, slots=True)
class Puffs:
    """Puffs of the rows of a day, shape (rows,) each, in the unit of the signal.

    Attributes:
        height, error: peak of a row's puff and its standard error; error inf where not seen.
        p: probability that by chance some row stands out as much as this one.
        rivals: rows that lead at another delay that explains as much.
        delay_s: from a pulse to the begin of its puff; width_s: how long it lasts above half.
        shape: of the puff by cells since `delay_s`, peak 1.
        since_s: seconds after a pulse, shape (k,).
        stacked, stacked_error: the signal above its base then, without the puffs of other pulses,
            shape (rows, k); nan where no point lies.
    """

    height: Floats
    error: Floats
    p: Floats
    rivals: tuple[int, ...]
    delay_s: float
    width_s: float
    shape: Floats
    since_s: Floats
    stacked: Floats
    stacked_error: Floats


def find_puffs(
    time_s: Floats,
    value: Floats,
    fired_s: Floats,
    place: Ints,
    n_rows: int,
    *,
    seconds: float,
    delays_s: tuple[float, float] = (0.0, MAX_DELAY_S),
) -> Puffs | None:
    """Return the puffs of rows 0 ... of a dust signal, shape (n,), by pulses, shape (p,).

    Args:
        fired_s, place: times, rising, and rows of the pulses.
        delays_s: lowest and highest possible delay.
    """
    if time_s.size < _MIN_POINTS or place.size < _MIN_PULSES * n_rows:
        return None
    cell_s = _COARSE_S if np.median(np.diff(time_s)) < _MANY_S else _FINE_S
    cells = cells_of(time_s, value, seconds, cell_s)
    fired = fired_of(fired_s, place, n_rows, cell_s)
    first, last = (round(one / cell_s) for one in delays_s)
    best, rest, rivals = _chosen(cells, fired, range(first, last + 1))
    if not np.isfinite(best.fit.spread).any():
        return None
    error, noise2 = _errors(fired, best, rest)
    as_well = {row for row, missed in rivals.items() if missed < _AS_WELL * noise2}
    stacked, stacked_error = _stacked(cells, fired, best, rest)
    return Puffs(
        height=best.fit.puff,
        error=error,
        p=chance(best.design, fired, best.fit),
        rivals=tuple(sorted(as_well - {best.top})),
        delay_s=cell_s * best.delay,
        width_s=cell_s * float((best.shape > 0.5).sum()),
        shape=best.shape,
        since_s=cell_s * (0.5 + np.arange(stacked.shape[1])),
        stacked=stacked,
        stacked_error=stacked_error,
    )


@dataclass(frozen=True, slots=True)
class _Solution:
    """A shape at a delay [cells], and the rows' puffs with it."""

    shaped: Shaped
    delay: int
    design: Design
    fit: Fit

    @property
    def shape(self) -> Floats:
        """The shape, peak 1."""
        return self.shaped.shape

    @property
    def top(self) -> int:
        """The row that stands out most."""
        return int(np.argmax(self.fit.standing_out))


def _chosen(
    cells: Cells, fired: Fired, delays: range
) -> tuple[_Solution, Floats, dict[int, float]]:
    """Return the solution that fits best, what it leaves, and how much worse others fit, by row."""
    bent = [_bent(cells, fired, *one) for one in _leading(cells, fired, delays)]
    gain = max(one.fit.gain for one in bent)
    near = [one for one in bent if one.fit.gain >= (1 - _MISFIT) * gain]
    rests = [_rest(cells, fired, one) for one in near]
    missed = [float((rest[_at_gaps(cells, fired)] ** 2).sum()) for rest in rests]
    at = int(np.argmin(missed))
    worse = {one.top: sum_ - missed[at] for one, sum_ in zip(near, missed, strict=True)}
    return near[at], rests[at], worse


def _leading(cells: Cells, fired: Fired, delays: range) -> list[tuple[Floats, int, Fit]]:
    """Return the first shape and delay that explain most, for each row that leads at some."""
    best: dict[int, tuple[Floats, int, Fit]] = {}
    for length_s in _LENGTHS_S:
        length = round(length_s / cells.cell_s)
        shape = 1.0 - np.arange(length) / length
        shaped = Shaped(cells, fired, shape, delays[-1])
        fits = solved(shaped.at(delay).equations(fired.row) for delay in delays)
        for delay, fit in zip(delays, fits, strict=True):
            top = int(np.argmax(fit.standing_out))
            if top not in best or fit.gain > best[top][2].gain:
                best[top] = shape, delay, fit
    ordered = sorted(best.values(), key=lambda one: -one[2].gain)[:_MAX_LEADERS]
    return [one for one in ordered if one[2].gain >= _WORTH * ordered[0][2].gain]


def _bent(cells: Cells, fired: Fired, shape: Floats, delay: int, fit: Fit) -> _Solution:
    """Return shape and delay as the pulses show them, where that explains more."""
    lead, longest = (round(one / cells.cell_s) for one in (_LEAD_S, _MAX_SHAPE_S))
    start = max(0, delay - lead)
    length = min(longest, 2 * shape.size + lead)
    bent = _free_shape(cells, fired, fit.puff, start, length)
    if bent is not None:
        above = np.flatnonzero(bent > _FLOOR)
        bent, start = bent[above[0] : above[-1] + 1], start + int(above[0])
        shaped = Shaped(cells, fired, bent, start)
        design = shaped.at(start)
        again = design.fit(fired.row)
        if again.gain > fit.gain:
            return _Solution(shaped, start, design, again)
    shaped = Shaped(cells, fired, shape, delay)
    return _Solution(shaped, delay, shaped.at(delay), fit)


def _free_shape(cells: Cells, fired: Fired, puff: Floats, start: int, length: int) -> Floats | None:
    """Return the shape, peak 1, that pulses of known puffs show from a delay on."""
    n, n_blocks, into = cells.count.size, cells.block_count.size, np.arange(length)
    train = np.bincount(fired.cell, weights=puff[fired.row], minlength=n)[:n]
    at = np.flatnonzero(train)
    own = train[at]
    # Each pulse puts a column of cells under the shape, shape (length, pulses).
    cell = at + start + into[:, None]
    inside = cell < n
    cell[~inside] = 0
    count, total = (np.where(inside, one[cell], 0.0) for one in (cells.count, cells.total))
    blocks = (into[:, None] * n_blocks + cells.block[cell]).ravel()
    sums = np.bincount(blocks, (own * count).ravel(), length * n_blocks).reshape(length, -1)
    means = sums / np.maximum(cells.block_count, 1.0)
    before = own * np.pad(train, (length, 0))[at + length - into[:, None]]
    lagged = count @ before.T  # overlap of the train moved by k with that moved by k + lag
    first, second = np.triu_indices(length)
    gram = -means @ sums.T
    gram[first, second] += lagged[first, second - first]
    gram[second, first] = gram[first, second]
    score = total @ own
    bend = np.diff(np.eye(length), 2, axis=0)
    gram += _SMOOTH * np.trace(gram) / length * bend.T @ bend
    try:
        factor = np.linalg.cholesky(gram + 1e-9 * np.trace(gram) * np.eye(length))
    except np.linalg.LinAlgError:
        return None
    shape, _ = nnls(factor.T, np.linalg.solve(factor, score))
    peak = float(shape.max())
    return shape / peak if peak > 0 else None


def _rest(cells: Cells, fired: Fired, one: _Solution) -> Floats:
    """Return what a solution leaves of each cell, over the root of its points."""
    n = cells.count.size
    train = np.bincount(fired.cell + one.delay, weights=one.fit.puff[fired.row], minlength=n)
    fitted = np.convolve(train, one.shape)[:n] * cells.count
    fitted -= block_means(cells.block, fitted, cells.block_count) * cells.count
    rest: Floats = (cells.total - fitted) / np.sqrt(np.maximum(cells.count, 1.0))
    return rest


def _at_gaps(cells: Cells, fired: Fired) -> Mask:
    """Return the cells at which the rhythm of the pulses breaks, shape (n,).

    Elsewhere a delay longer by an interval fits as well, but for what the grid leaves.
    """
    n, gap = cells.count.size, np.diff(fired.cell)
    before = np.flatnonzero(gap > _BREAK * np.median(gap))
    reach = round((MAX_DELAY_S + _MAX_SHAPE_S) / cells.cell_s)
    marks = np.zeros(n + reach + 1)
    for cell in (fired.cell[before], fired.cell[before + 1]):
        np.add.at(marks, cell, 1.0)
        np.add.at(marks, np.minimum(cell + reach, n + reach), -1.0)
    return np.cumsum(marks)[:n] > 0


def _errors(fired: Fired, best: _Solution, rest: Floats) -> tuple[Floats, float]:
    """Return standard errors by the scatter of the pulses themselves, and the variance of noise.

    The scatter of a row's own pulses holds whatever the signal's noise is like.
    """
    rooted = rest * np.sqrt(np.maximum(best.shaped.cells.count, 1.0))
    scores = best.shaped.score(rooted, best.delay)
    meat = np.bincount(fired.row, scores**2, fired.n_rows)
    normal = best.design.normal(fired.row)
    inverse = np.linalg.pinv(normal)
    error = np.sqrt(np.maximum((inverse**2) @ meat, 0.0))
    noise2 = float(np.median(meat / np.maximum(np.diag(normal), 1e-12)))
    return np.where(np.isfinite(best.fit.spread), error, np.inf), noise2


def _stacked(cells: Cells, fired: Fired, best: _Solution, rest: Floats) -> tuple[Floats, Floats]:
    """Return what is left of the signal, stacked by row, with the row's own puff put back."""
    total = rest * np.sqrt(cells.count)
    n_cells, rows = best.delay + best.shape.size + round(_AFTER_S / cells.cell_s), fired.n_rows
    mean, count = np.full((rows, n_cells), np.nan), np.zeros((rows, n_cells))
    for k in range(n_cells):
        at = np.minimum(fired.cell + k, total.size - 1)
        count[:, k] = np.bincount(fired.row, cells.count[at], rows)
        np.divide(
            np.bincount(fired.row, total[at], rows), count[:, k], mean[:, k], where=count[:, k] > 0
        )
    own = np.zeros(n_cells)
    own[best.delay : best.delay + best.shape.size] = best.shape
    error = float(rest[cells.count > 0].std()) / np.sqrt(np.maximum(count, 1.0))
    return mean + best.fit.puff[:, None] * own, error


def chance(design: Design, fired: Fired, fit: Fit, n_permuted: int = _N_PERMUTED) -> Floats:
    """Return for each row how probable it is that by chance some row stands out as much."""
    rng = np.random.default_rng(0)
    orders = np.argsort(fired.round + rng.random((n_permuted, fired.row.size)), axis=1)
    permuted = solved(design.equations(fired.row[order]) for order in orders)
    highest = np.array([one.standing_out.max() for one in permuted])
    stands = fit.standing_out
    if not np.isfinite(highest).all():  # no row shows
        return np.ones(stands.size)
    above = (highest[:, None] >= stands).sum(axis=0)
    counted = (1 + above) / (1 + n_permuted)
    scale = max(float(highest.std()) * math.sqrt(6) / math.pi, 1e-12)
    height = (stands - (highest.mean() - _EULER * scale)) / scale
    tail = -np.expm1(-np.exp(-np.clip(height, -30.0, 700.0)))
    p: Floats = np.where(above >= _MIN_COUNTED, counted, np.minimum(tail, counted))
    return p
