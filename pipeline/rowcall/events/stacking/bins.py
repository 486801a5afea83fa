"""Bins of the time since fire, and what is known of the points in them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats

Ints = npt.NDArray[np.int64]

REACH_S = 25.0  # chosen: later than five long recoveries after a fire nothing of it is left
# Fine where the valve moves, then wider as the curve flattens.
_FINE_S, _FINE_UNTIL_S, _MIDDLE_S, _MIDDLE_UNTIL_S, _N_COARSE = 0.05, 1.0, 0.1, 3.0, 24
_PRIOR_POINTS = 20.0  # chosen: prior weight of the usual row's spread, in points
# Of the deficit; chosen: far below any transmitter's resolution, against division by zero
_MIN_SIGMA = 1e-5


def binned(since_s: Floats) -> tuple[Floats, Ints]:
    """Return the mean time of each bin's points [s], shape (n_bins,), and the bin of each point."""
    edges = _edges()
    n_bins = edges.size - 1
    bin_of = np.clip(np.searchsorted(edges, since_s, side="right") - 1, 0, n_bins - 1)
    at = np.bincount(bin_of, minlength=n_bins)
    middle = (edges[:-1] + edges[1:]) / 2
    total = np.bincount(bin_of, since_s, n_bins)
    return np.where(at > 0, total / np.maximum(at, 1), middle), bin_of.astype(np.int64)


def _edges() -> Floats:
    fine = np.arange(0.0, _FINE_UNTIL_S - _FINE_S / 2, _FINE_S)
    middle = np.arange(_FINE_UNTIL_S, _MIDDLE_UNTIL_S - _MIDDLE_S / 2, _MIDDLE_S)
    return np.concatenate((fine, middle, np.geomspace(_MIDDLE_UNTIL_S, REACH_S, _N_COARSE + 1)))


def cells(cell: Ints, y: Floats, shape: tuple[int, int]) -> tuple[Floats, Floats]:
    """Return the number of points and their mean, of the given shape each."""
    size = shape[0] * shape[1]
    count = np.bincount(cell, minlength=size).astype(np.float64)
    total = np.bincount(cell, y, size)
    mean = np.divide(total, count, out=np.zeros(size), where=count > 0)
    return count.reshape(shape), mean.reshape(shape)


def mean_of(count: Floats, mean: Floats) -> Floats:
    """Mean of all rows together in each bin, shape (n_bins,)."""
    n = count.sum(axis=0)
    pooled: Floats = np.divide((count * mean).sum(axis=0), n, out=np.zeros(n.size), where=n > 0)
    return pooled


def spread(row: Ints, off: Floats, count: Floats) -> Floats:
    """Spread of points about the mean of their own cell, fewer by one a cell, row by row.

    A row that answers now and then scatters more than others, and says nothing of their noise.
    """
    free = np.maximum(count - 1, 0).sum(axis=1)
    squares = np.bincount(row, off**2, len(count))
    known = free > 0
    if not known.any():
        return np.full(len(count), _MIN_SIGMA)
    usual = float(np.median(squares[known] / free[known]))
    variance = (squares + _PRIOR_POINTS * usual) / (free + _PRIOR_POINTS)
    deviation: Floats = np.sqrt(np.maximum(variance, _MIN_SIGMA**2))
    return deviation
