"""After how many beats the silent places come round again: the check on the number of rows."""

from __future__ import annotations

import numpy as np

from rowcall.events.cadence_grid import Grid
from rowcall.model import Floats

_FEWEST_LOST = 20  # silent beats before they may contradict the site file; chosen
_FEWEST_PAIRS = 10
_LEAST = 0.4  # of the silent beats, above chance: below it they are noise; chosen
_POOR = 0.5  # of the best recurrence: below it the site file's round does not fit; chosen
_GOOD = 0.8  # of the best: recurrences this close are multiples of one another; chosen


def common_round(grid: Grid, n_rows: int) -> int:
    """Return the beats in a round: `n_rows`, unless the silent beats clearly recur otherwise.

    Rows that the controller leaves out make the round shorter, a pause of whole intervals at its
    end makes it longer.
    """
    lost = np.where(grid.heard, ~grid.seen, 0).astype(np.float64)
    if lost.sum() < _FEWEST_LOST or n_rows < 2:
        return n_rows
    lags = np.arange(2, 2 * n_rows + 1)
    again = np.array([_again(grid, lost, int(lag)) for lag in lags])
    best = float(np.max(again))
    if best < _LEAST or again[n_rows - 2] >= _POOR * best:
        return n_rows
    return int(lags[np.flatnonzero(again >= _GOOD * best)[0]])


def _again(grid: Grid, lost: Floats, lag: int) -> float:
    """Share of silent beats that are silent `lag` beats later too, above chance."""
    known = grid.heard[lag:] & grid.heard[:-lag] & (grid.bout[lag:] == grid.bout[:-lag])
    first = known & (lost[:-lag] > 0)
    if first.sum() < _FEWEST_PAIRS:
        return 0.0
    return float(lost[lag:][first].mean() - lost[lag:][known].mean())
