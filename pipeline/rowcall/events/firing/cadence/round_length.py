"""After how many beats the silent places come round again: the check on the number of rows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.cadence.grid import Grid
from rowcall.events.firing.recorded import Fires
from rowcall.model import Floats

_MIN_LOST = 20  # silent beats before they may contradict the site file; chosen
_MIN_PAIRS = 10  # pairs; chosen: ten give a share to a third
_MIN_RECURRENCE = 0.4  # of the silent beats, above chance: below it they are noise; chosen
_POOR_SHARE = 0.5  # of the best recurrence: below it the site file's round does not fit; chosen
# Share of a row's caught bits that lie whole rounds after the one before; chosen: a restart
# breaks some
_MIN_SAME = 0.8
_GOOD_SHARE = 0.8  # of the best: recurrences this close are multiples of one another; chosen


def common_round(grid: Grid, n_rows: int) -> int:
    """Return the beats in a round: `n_rows`, unless the silent beats clearly recur otherwise.

    Rows that the controller leaves out make the round shorter, a pause of whole intervals at its
    end makes it longer.
    """
    lost = np.where(grid.observable, ~grid.seen, 0).astype(np.float64)
    if lost.sum() < _MIN_LOST or n_rows < 2:
        return n_rows
    lags = np.arange(2, 2 * n_rows + 1)
    again = np.array([_again(grid, lost, int(lag)) for lag in lags])
    best = float(np.max(again))
    if best < _MIN_RECURRENCE or again[n_rows - 2] >= _POOR_SHARE * best:
        return n_rows
    return int(lags[np.flatnonzero(again >= _GOOD_SHARE * best)[0]])


def _again(grid: Grid, lost: Floats, lag: int) -> float:
    """Share of silent beats that are silent `lag` beats later too, above chance."""
    known = grid.observable[lag:] & grid.observable[:-lag] & (grid.bout[lag:] == grid.bout[:-lag])
    first = known & (lost[:-lag] > 0)
    if first.sum() < _MIN_PAIRS:
        return 0.0
    return float(lost[lag:][first].mean() - lost[lag:][known].mean())


def caught_round(grid: Grid, caught: Fires, n_rows: int) -> int | None:
    """Return the beats in a round as the bits that a scan caught have it, None where too few do.

    A row comes again after whole rounds only, so the longest round that fits is the one.
    """
    beat = nearest(grid.time_s, (caught.low_s + caught.high_s) / 2)
    order = np.lexsort((beat, caught.row))
    beat, row = beat[order], caught.row[order]
    again = (row[1:] == row[:-1]) & (grid.bout[beat[1:]] == grid.bout[beat[:-1]])
    apart = np.diff(beat)[again]
    apart = apart[apart > 0]
    if apart.size < _MIN_PAIRS * n_rows:
        return None
    fits = [n for n in range(2, n_rows + 1) if np.mean(apart % n == 0) >= _MIN_SAME]
    return max(fits, default=None)


def nearest(known_s: Floats, time_s: Floats) -> npt.NDArray[np.int64]:
    """Return the place of the nearest of two or more rising instants for each time."""
    after = np.clip(np.searchsorted(known_s, time_s), 1, known_s.size - 1)
    is_before = time_s - known_s[after - 1] < known_s[after] - time_s
    return np.where(is_before, after - 1, after).astype(np.int64)
