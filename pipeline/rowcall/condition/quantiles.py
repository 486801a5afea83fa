"""Medians and quantiles of finite values, several times faster than numpy's own."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats


def quantile(value: Floats, share: float) -> float:
    """Return the quantile of values, shape (n,), on a line between two; nan of none."""
    if not value.size:
        return math.nan
    at = share * (value.size - 1)
    low = int(at)
    high = min(low + 1, value.size - 1)
    ordered = np.partition(value, (low, high))
    return float(ordered[low] + (ordered[high] - ordered[low]) * (at - low))


def median(value: Floats) -> float:
    """Return the median of values, shape (n,); nan of none."""
    return quantile(value, 0.5)


def row_medians(value: Floats) -> Floats:
    """Return the median of what is finite in each row of shape (n, k), nan where nothing is."""
    ordered = np.sort(value, axis=1)  # nan sorts last
    count = np.isfinite(value).sum(axis=1)
    low, high = np.maximum((count - 1) // 2, 0), np.minimum(count // 2, value.shape[1] - 1)
    line = np.arange(len(value))
    return np.where(count > 0, (ordered[line, low] + ordered[line, high]) / 2, np.nan)


def group_medians(value: Floats, starts: npt.NDArray[np.intp]) -> Floats:
    """Return the median of each group of finite values that follow each other.

    Args:
        starts: where each group begins, rising, the first one at 0; none is empty.
    """
    size = np.diff(starts, append=value.size)
    rows = np.full((starts.size, size.max(initial=0)), np.nan)
    rows[np.arange(rows.shape[1]) < size[:, None]] = value
    return row_medians(rows)
