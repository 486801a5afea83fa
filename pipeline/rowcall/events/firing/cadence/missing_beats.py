"""Beats without a drop: silent rows, or a rest between two bouts of cleaning.

Beats on end without a drop are silent rows where the same beats a round of the sequence before and
after are silent too. Where three or more of them are not, it was a rest that happened to last a
whole number of intervals, and the bout is broken there.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.cadence.grid import MIN_DROPS, Grid

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# Beats on end, silent here but not a round away, that make a rest; chosen: two may be weak drops
_MIN_ODD = 3


def without_rests(grid: Grid, n_rows: int) -> Grid:
    """Break bouts at beats on end without a drop that no other round of the sequence shows."""
    if grid.time_s.size == 0:
        return grid
    lost = grid.observable & ~grid.seen
    low, high = _runs(~grid.seen, grid.bout)
    n_lost = np.add.reduceat(lost, low) if low.size else np.empty(0)
    state = _state(grid, n_rows)
    where = np.arange(grid.time_s.size) + n_rows * (grid.bout + 1)
    rests = np.zeros(grid.time_s.size, np.bool_)
    for begin, end, n in zip(low.tolist(), high.tolist(), n_lost.tolist(), strict=True):
        if n < _MIN_ODD:
            continue
        at = where[begin:end]
        away = np.stack((state[at - n_rows], state[at + n_rows]))
        rests[begin:end] = int(np.sum(away.max(axis=0) != 0)) >= _MIN_ODD
    if not rests.any():
        return grid
    cut = np.cumsum(rests & ~np.concatenate(([False], rests[:-1])))
    kept = replace(grid, bout=grid.bout + cut)
    _, bout, count = np.unique(kept.bout[~rests], return_inverse=True, return_counts=True)
    enough = np.zeros(rests.size, np.bool_)
    enough[~rests] = count[bout] >= MIN_DROPS
    return kept.pick(enough)


def _runs(flag: Bools, bout: Ints) -> tuple[Ints, Ints]:
    """Begin and end of every run of True, none across bouts."""
    key = np.where(flag, bout + 1, 0)
    edge = np.flatnonzero(np.diff(key, prepend=0, append=0))
    low, high = edge[:-1], edge[1:]
    inside = flag[np.minimum(low, flag.size - 1)]
    return low[inside], high[inside]


def _state(grid: Grid, n_rows: int) -> npt.NDArray[np.int8]:
    """One axis of all beats, bouts a round apart: 1 seen, 0 silent, -1 unobservable or no beat."""
    state = np.full(grid.time_s.size + n_rows * (int(grid.bout[-1]) + 2), -1, np.int8)
    at = np.arange(grid.time_s.size) + n_rows * (grid.bout + 1)
    state[at] = np.where(grid.observable, grid.seen, -1)
    return state


def with_silent_ends(grid: Grid, more: Ints) -> Grid:
    """Return the grid with silent beats added at the ends of its bouts, `more` of them each."""
    last = np.flatnonzero(np.diff(grid.bout, append=-1))
    source = np.repeat(last, more)
    step = np.arange(source.size) - np.repeat(np.cumsum(more) - more, more) + 1
    shift = step * grid.interval_s[source]
    order = np.argsort(np.concatenate((np.arange(grid.bout.size), source)), kind="stable")

    def with_more(values: npt.NDArray[Any], added: npt.NDArray[Any]) -> npt.NDArray[Any]:
        return np.concatenate((values, added))[order]

    return Grid(
        with_more(grid.time_s, grid.time_s[source] + shift),
        with_more(grid.low_s, grid.low_s[source] + shift),
        with_more(grid.high_s, grid.high_s[source] + shift),
        with_more(grid.bout, grid.bout[source]),
        with_more(grid.index, grid.index[source] + step),
        with_more(grid.observable, grid.observable[source]),
        with_more(grid.seen, np.zeros(source.size, np.bool_)),
        with_more(grid.share, np.zeros(source.size)),
        with_more(grid.interval_s, grid.interval_s[source]),
    )
