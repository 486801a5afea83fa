"""A clock that drifts evenly through the day and is set at most once: a line with one step.

Samples far apart show an offset through the header's curve, which a closed form fits to a few
percent only; within a quarter of an hour they meet the pulses at a few phases, where such a misfit
looks like an offset. A walk free to move at any time would follow it. This line with one step, of
four unknowns, cannot.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowcall.events.clocks.drift import Drift
from rowcall.model import Floats

_MAX_DRIFT_S, _SLOPE_S = 5.0, 0.5  # chosen: drift over the day looked for, and its first step
# Blocks of ten minutes; chosen: an hour together shows a phase, and a step needs one on each side
_HOURLY = 6
_STEP_COST = 15.0  # chosen: log-likelihood that a step must gain, for it may be anywhere
_MIN_STEP_S = 0.2  # chosen: a smaller step looks like a drift not quite even


@dataclass(frozen=True, slots=True)
class _Line:
    """Offset at the day's begin, drift over the day, and the offset from block `split` on [s]."""

    gain: float
    begin_s: float
    drift_s: float
    split: int
    later_s: float


@dataclass(frozen=True, slots=True)
class EvenDrift:
    """The line with a step that fits best, what it gains over a constant offset, and what offsets
    free in every block would gain [log-likelihood]."""

    drift: Drift
    gain: float
    max_gain: float


def even_drift(evidence: Floats, grid_s: Floats, edges_s: Floats) -> EvenDrift:
    """Return the line with at most one step that fits best.

    Args:
        evidence: log-likelihood of every offset in every block, shape (n_blocks, n_grid).
        grid_s: offsets, evenly apart, shape (n_grid,) [s].
        edges_s: of the blocks, shape (n_blocks + 1,) [s].
    """
    begins = np.arange(0, len(evidence), _HOURLY)
    hours = np.add.reduceat(evidence, begins)
    at = (edges_s[begins] + np.append(edges_s[begins[1:]], edges_s[-1])) / 2
    span = float(edges_s[-1])
    n_slopes = int(_MAX_DRIFT_S / _SLOPE_S)
    rough = _best(hours, grid_s, at / span, _SLOPE_S * np.arange(-n_slopes, n_slopes + 1), 1)
    constant = float(evidence.sum(axis=0).max())
    max_gain = float(evidence.max(axis=1).sum()) - constant
    if rough.gain <= constant:
        flat = np.full(2, grid_s[int(evidence.sum(axis=0).argmax())])
        return EvenDrift(Drift(edges_s[[0, -1]], flat, np.zeros(2)), 0.0, max_gain)
    near = rough.drift_s + float(grid_s[1] - grid_s[0]) * np.arange(-4, 5)
    middle = (edges_s[:-1] + edges_s[1:]) / 2
    line = _best(evidence, grid_s, middle / span, near, _HOURLY)
    split_s = float(edges_s[line.split])
    at_s = np.array([0.0, split_s - 1e-3, split_s, span])
    base = np.array([line.begin_s, line.begin_s, line.later_s, line.later_s])
    error = np.full(4, grid_s[1] - grid_s[0]) / 2
    drift = Drift(at_s, base + line.drift_s * at_s / span, error)
    return EvenDrift(drift, line.gain - constant, max_gain)


def _best(evidence: Floats, grid_s: Floats, part: Floats, drifts_s: Floats, n_end: int) -> _Line:
    """Best line: for every drift the evidence is taken along it, and summed from both ends."""
    step_s = float(grid_s[1] - grid_s[0])
    best = _Line(-np.inf, 0.0, 0.0, 0, 0.0)
    for drift_s in drifts_s.tolist():
        shift = np.rint(drift_s * part / step_s).astype(np.int64)
        column = np.arange(grid_s.size)[None, :] + shift[:, None]
        inside = (column >= 0) & (column < grid_s.size)
        column = np.clip(column, 0, grid_s.size - 1)
        along = np.take_along_axis(evidence, column, axis=1)
        worst = evidence.min(axis=1, keepdims=True)
        before = np.cumsum(np.where(inside, along, worst), axis=0)
        whole = before[-1]
        first, after = before.max(axis=1), (whole[None, :] - before).max(axis=1)
        at = len(first) - 1
        if len(first) > 2 * n_end:
            at = n_end - 1 + int(np.argmax((first + after)[n_end - 1 : -n_end]))
        early, late = int(before[at].argmax()), int((whole - before[at]).argmax())
        stepped = float(first[at] + after[at]) - _STEP_COST
        even = int(whole.argmax())
        if abs(grid_s[early] - grid_s[late]) < _MIN_STEP_S or stepped <= whole[even]:
            early = late = even
            stepped = float(whole[even])
        if stepped > best.gain:
            split = min(at + 1, len(first) - 1)
            best = _Line(stepped, float(grid_s[early]), drift_s, split, float(grid_s[late]))
    return best
