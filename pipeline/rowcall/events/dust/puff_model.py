"""The linear model of a day's dust: base + sum over pulses of its row's puff x a common shape.

Everything lies on a grid of cells. With n points in a cell, r their sum less the base, and a shape
h of K cells that begins d cells after a pulse, the normal equations of the rows' puffs are

    M a = S,  S = sum over the pulses of a row of (h * r)(c + d),
    M = sum over pairs of pulses of (h(.) h(. + l) * n)(c + d)  less the means of blocks,

so that a delay costs a look-up and overlapping puffs are separated exactly. Points count at the
cell they fall into: coarse samples meet a puff at whatever phases they fall on.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from rowcall.condition.quantiles import group_medians, row_medians
from rowcall.events.noise import median_deviation
from rowcall.model import Floats

Ints = npt.NDArray[np.intp]
Mask = npt.NDArray[np.bool_]

BLOCK_S = 600.0  # chosen: base moves on a line meanwhile; some tens of puffs lie in it
_CLIP = 12.0  # [standard deviations] chosen: an upset counts no more than a large puff
_RIDGE = 1e-6  # [-] of the mean information of a row, for rows that no point shows


@dataclass(frozen=True, slots=True)
class Cells:
    """Points by cell, shape (c,): their number, and their sum less the base; blocks of cells."""

    cell_s: float
    count: Floats
    total: Floats
    block: Ints
    block_count: Floats


@dataclass(frozen=True, slots=True)
class Fired:
    """Pulses in time order, shape (p,): cell, number of the row (0 ...), number of the pass."""

    cell: Ints
    row: Ints
    round: Ints
    n_rows: int


@dataclass(frozen=True, slots=True)
class Fit:
    """Puffs of the rows for one shape and delay.

    Attributes:
        puff: height of the peak of each row's puff, shape (rows,).
        spread: of it for noise of deviation 1, shape (rows,); inf where no point shows the row.
        gain: by how much they lower the sum of squares.
        standing_out: each row's puff above the median row's, over its spread, shape (rows,).
    """

    puff: Floats
    spread: Floats
    gain: float
    standing_out: Floats


def cells_of(time_s: Floats, value: Floats, seconds: float, cell_s: float) -> Cells:
    """Return points, shape (n,), on the grid of a day, less a base on lines between blocks."""
    n = int(seconds / cell_s) + 1
    at = (time_s / cell_s).astype(np.intp)
    rest = value - _base(time_s, value)
    bound = _CLIP * max(median_deviation(rest), 1e-12)
    rest = np.clip(rest, -bound, bound)
    count = np.bincount(at, minlength=n)[:n].astype(np.float64)
    total: Floats = np.bincount(at, weights=rest, minlength=n)[:n].astype(np.float64)
    block = (np.arange(n) * cell_s / BLOCK_S).astype(np.intp)
    block_count: Floats = np.bincount(block, weights=count).astype(np.float64)
    return Cells(
        cell_s, count, total - block_means(block, total, block_count) * count, block, block_count
    )


def _base(time_s: Floats, value: Floats) -> Floats:
    block = (time_s / BLOCK_S).astype(np.intp)
    starts = np.flatnonzero(np.diff(block, prepend=-1))
    middle = np.add.reduceat(time_s, starts) / np.diff(starts, append=value.size)
    return np.interp(time_s, middle, group_medians(value, starts))


def block_means(block: Ints, total: Floats, block_count: Floats) -> Floats:
    """Return the mean of its block for each cell."""
    sums = np.bincount(block, weights=total, minlength=block_count.size)
    means: Floats = np.divide(sums, block_count, out=np.zeros_like(sums), where=block_count > 0)
    return means[block]


def fired_of(time_s: Floats, place: Ints, n_rows: int, cell_s: float) -> Fired:
    """Return pulses with the pass each belongs to: a row that comes again begins a new one."""
    seen, number, rounds = set[int](), 0, np.empty(place.size, np.intp)
    for k, row in enumerate(place.tolist()):
        if row in seen:
            seen, number = set(), number + 1
        seen.add(row)
        rounds[k] = number
    return Fired((time_s / cell_s).astype(np.intp), place, rounds, n_rows)


class Shaped:
    """What a shape, shape (K,), makes of cells and pulses; asked for any delay and row labels."""

    def __init__(self, cells: Cells, fired: Fired, shape: Floats, max_delay: int) -> None:
        self.cells, self.fired, self.shape = cells, fired, shape
        self._reach = max_delay + shape.size
        self._count, self._total = self._under(cells.count), self._under(cells.total)
        pairs = _pairs(fired.cell, shape.size)
        lags = [0, *(lag for lag, _, _ in pairs)]
        # A pulse, and its overlap with one so many cells earlier, by the cells under its shape.
        own = [np.pad(shape[lag:] * shape[: shape.size - lag], (0, lag)) for lag in lags]
        self._kernels = np.column_stack((shape, *own))
        self._first, self._second = (
            np.concatenate([np.empty(0, np.intp), *one])
            for one in ([i for _, i, _ in pairs], [j for _, _, j in pairs])
        )
        self._kernel = np.repeat(np.arange(2, 2 + len(pairs)), [i.size for _, i, _ in pairs])

    def _under(self, of_cells: Floats) -> Floats:
        """Return the cells under a shape that begins at each cell, shape (cells, K)."""
        return sliding_window_view(np.pad(of_cells, (0, self._reach)), self.shape.size)

    def score(self, total: Floats, delay: int) -> Floats:
        """Return the sum of cells under the shape of each pulse."""
        score: Floats = self._under(total)[self.fired.cell + delay] @ self.shape
        return score

    def at(self, delay: int) -> Design:
        """Return the design for a delay, in cells."""
        cell = self.fired.cell + delay
        under = self._count[cell] @ self._kernels
        middle = np.minimum(cell + self.shape.size // 2, self.cells.block.size - 1)
        return Design(
            score=self._total[cell] @ self.shape,
            own=under[:, 1],
            first=self._first,
            second=self._second,
            overlap=under[self._second, self._kernel],
            mass=under[:, 0],
            block=self.cells.block[middle],
            block_count=self.cells.block_count,
            n_rows=self.fired.n_rows,
        )


def _pairs(cell: Ints, reach: int) -> list[tuple[int, Ints, Ints]]:
    """Return the pairs of pulses less than `reach` cells apart, by how far."""
    found: dict[int, tuple[list[Ints], list[Ints]]] = {}
    for step in range(1, cell.size):
        lag = cell[step:] - cell[:-step]
        if lag.min(initial=reach) >= reach:
            break
        for one in np.unique(lag[lag < reach]).tolist():
            at = np.flatnonzero(lag == one)
            firsts, seconds = found.setdefault(one, ([], []))
            firsts.append(at)
            seconds.append(at + step)
    return [(lag, np.concatenate(i), np.concatenate(j)) for lag, (i, j) in found.items()]


@dataclass(frozen=True, slots=True)
class Design:
    """One shape at one delay: what is needed to fit rows, whichever labels the pulses have."""

    score: Floats
    own: Floats
    first: Ints
    second: Ints
    overlap: Floats
    mass: Floats
    block: Ints
    block_count: Floats
    n_rows: int

    def normal(self, row: Ints) -> Floats:
        """Return M, shape (rows, rows), for the rows of the pulses."""
        n = self.n_rows
        pair = row[self.first] * n + row[self.second]
        both = np.bincount(pair, self.overlap, n * n).reshape(n, n)
        n_blocks = self.block_count.size
        massed = np.bincount(row * n_blocks + self.block, self.mass, n * n_blocks)
        mass = massed.reshape(n, n_blocks) / np.sqrt(np.maximum(self.block_count, 1.0))
        normal: Floats = both + both.T + np.diag(np.bincount(row, self.own, n)) - mass @ mass.T
        return normal

    def equations(self, row: Ints) -> tuple[Floats, Floats]:
        """Return M and S."""
        score = np.asarray(np.bincount(row, self.score, self.n_rows), np.float64)
        return self.normal(row), score

    def fit(self, row: Ints) -> Fit:
        """Return the puffs of the rows."""
        return solved([self.equations(row)])[0]


def solved(equations: Iterable[tuple[Floats, Floats]]) -> list[Fit]:
    """Return the puffs of the rows by normal equations of the same rows, M and S each."""
    normal, score = (np.stack(one) for one in zip(*equations, strict=True))
    information = np.diagonal(normal, axis1=1, axis2=2)
    ridge = _RIDGE * np.maximum(information.mean(axis=1), 1e-12)
    inverse = np.linalg.inv(normal + ridge[:, None, None] * np.eye(score.shape[1]))
    puff = (inverse @ score[:, :, None])[:, :, 0]
    is_seen = information > 1e-3 * np.maximum(information.max(axis=1, keepdims=True), 1e-12)
    spread = np.sqrt(np.maximum(np.diagonal(inverse, axis1=1, axis2=2), 0.0))
    known = is_seen & (spread > 0)
    above = puff - row_medians(np.where(known, puff, np.nan))[:, None]
    out = np.divide(above, spread, out=np.full(puff.shape, -np.inf), where=known)
    gain = (score * puff).sum(axis=1).tolist()
    fits = zip(puff, np.where(is_seen, spread, np.inf), gain, out, strict=True)
    return [Fit(*one) for one in fits]
