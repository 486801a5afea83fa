"""Following a clock offset that drifts through the day, or jumps where a clock is set.

The day is cut in blocks of minutes. In each the offset is a step of a random walk that mostly stays
where it was, now and then moves on by a step of the grid, and very seldom jumps anywhere. Forward
and backward sums over all such walks (a hidden Markov chain: Rabiner 1989, doi:10.1109/5.18626)
give its mean and spread in each block; blocks that show little lean on their neighbours. Whether it
moved at all is a Bayes factor: the evidence of the walks over that of one constant offset. A walk
that is not needed costs the evidence of some thirty steps not taken, so that noise buys none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats

BLOCK_S = 600.0  # chosen: short against a day's drift, and where a jump is placed to
_STEP = 0.05  # chosen: chance a block of a step to either side; the grid's step a block at most
_JUMP = 1e-3  # chosen: chance a block of a jump to anywhere: once in three days
# Chosen: log Bayes factor for a drift; thinned samples reach 40 without one
_MIN_LOG_BAYES = 50.0
_RANGE = (0.02, 0.98)  # chosen: quantiles of the day between which an offset ranges


@dataclass(frozen=True, slots=True)
class Drift:
    """An offset through the day: at instants `at_s`, `offset_s` +- `error_s`, shape (n,) [s]."""

    at_s: Floats
    offset_s: Floats
    error_s: Floats


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """Seconds to add to fire times so that they match the pressure, and the half-width of it.

    Where the clocks drift against each other, `drift` holds the offset through the day, and
    `offset_s` is its median.
    """

    offset_s: float
    half_width_s: float
    drift: Drift | None = None

    def at(self, time_s: Floats) -> Floats:
        """Offset at any instants by the fires' clock [s]."""
        if self.drift is None:
            return np.full(time_s.shape, self.offset_s)
        return np.asarray(np.interp(time_s, self.drift.at_s, self.drift.offset_s))


def block_edges(seconds: float) -> Floats:
    """Return the edges of the blocks of a day [s]."""
    n = max(int(np.ceil(seconds / BLOCK_S)), 1)
    return BLOCK_S * np.arange(n + 1, dtype=np.float64)


def follow(evidence: Floats, grid_s: Floats, edges_s: Floats, min_range_s: float) -> Drift | None:
    """Return how an offset moved through the day, None where one constant explains it as well.

    Args:
        evidence: log-likelihood of every offset in every block, up to a constant each, shape
            (n_blocks, n_grid); zeros where a block shows nothing.
        grid_s: offsets, evenly apart, shape (n_grid,) [s].
        edges_s: of the blocks, shape (n_blocks + 1,) [s].
        least_s: a range of offsets below it is not followed [s].
    """
    likely = np.exp(evidence - evidence.max(axis=1, keepdims=True))
    ahead, gain = _passed(likely)
    total = evidence.sum(axis=0)
    scale = evidence.max(axis=1).sum()
    constant = float(np.logaddexp.reduce(total)) - np.log(grid_s.size) - float(scale)
    if gain - constant < _MIN_LOG_BAYES:
        return None
    back, _ = _passed(likely[::-1])
    later = [_moved(chance) for chance in back[-2::-1]]  # what later blocks say, passed back
    chance = ahead * np.stack((*later, np.ones(grid_s.size)))
    chance /= chance.sum(axis=1, keepdims=True)
    offset = chance @ grid_s
    low, high = np.quantile(offset, _RANGE)
    if high - low < min_range_s:
        return None
    error = np.sqrt(np.maximum(chance @ grid_s**2 - offset**2, 0.0))
    return Drift((edges_s[:-1] + edges_s[1:]) / 2, offset, error)


def _passed(likely: Floats) -> tuple[Floats, float]:
    """Chances of every offset by the blocks so far, one line a block, and their log evidence."""
    out = np.empty_like(likely)
    chance, evidence = np.full(likely.shape[1], 1.0 / likely.shape[1]), 0.0
    for k, here in enumerate(likely):
        now = (chance if k == 0 else _moved(chance)) * here
        size = float(now.sum())
        evidence += float(np.log(size))
        chance = now / size
        out[k] = chance
    return out, evidence


def _moved(chance: npt.NDArray[Any]) -> Floats:
    """Chances one block on, shape (n_grid,); steps beyond the grid's ends are not taken."""
    step, stay = (1 - _JUMP) * _STEP, (1 - _JUMP) * (1 - 2 * _STEP)
    moved: Floats = stay * chance + _JUMP / chance.size * float(chance.sum())
    moved[1:] += step * chance[:-1]
    moved[:-1] += step * chance[1:]
    moved[0] += step * chance[0]
    moved[-1] += step * chance[-1]
    return moved
