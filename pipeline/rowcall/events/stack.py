"""Stacks: the overlaid points of each row in bins of time since fire, and what they have in common.

The header's sound rows share one curve. It is taken as it was measured, bin by bin, from the rows
of usual depth together (for each row from the others alone), so that whatever the supply, the
transmitter or the scan does to all rows alike is in it and cancels. Where the others have no
points, as when the sampling is in step with the pulses, the fitted curve stands in, and how little
is known of it there widens the error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.events.fires import Fires
from rowcall.events.header_curve import HeaderCurve, fit_header
from rowcall.events.overlay import REACH_S, Overlay, SoFar, is_in_step, lay_over
from rowcall.events.remnants import remnants_of
from rowcall.model import Floats, Signal

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

# Bins: fine where the valve moves, then wider as the curve flattens.
_FINE_S, _FINE_UNTIL_S, _MIDDLE_S, _MIDDLE_UNTIL_S, _N_COARSE = 0.05, 1.0, 0.1, 3.0, 24
_ROUNDS = 3  # chosen: level, deficits and curve have settled by then
_PEER = (0.75, 1.35)  # chosen: share of the usual drop within which a row is one of the sound ones
_MUTE = 0.35  # chosen: of what most rows reach at best; a fire surely below it made none
_MOST_DROP = 0.8  # chosen: of gauge pressure, to keep a guess at what is left within bounds
_NOTHING = 0.08  # chosen: of the deepest row's drop; below it a row is silent
_DEEP = 0.15  # chosen: of the drop
_CLEAR = 0.25  # chosen: share errors up to which a fire can be called unanswered
_PRIOR_POINTS = 6.0  # chosen: points' worth of belief in the fitted curve in each bin
TO_DEVIATION = 1.4826  # median absolute deviation of a normal distribution to its standard one
LEAST_DROP = 0.03  # chosen: of gauge pressure; a usual drop is 15-40 % (common practice)


@dataclass(frozen=True, slots=True)
class Stack:
    """Stacks of a header's rows.

    Attributes:
        overlay: the points behind it.
        curve: the header's fitted curve.
        since_s: mean time since fire of each bin's points, shape (n_bins,) [s].
        count, mean: points and their mean deficit, shape (n_rows, n_bins).
        usual: deficit of the other sound rows, shape (n_rows, n_bins) [-].
        belief: how much of `usual` rests on the fitted curve alone, 0..1, same shape.
        pooled: points of the sound rows' answers and their mean deficit, shape (2, n_bins).
        sound: rows that draw as most of those that answer do, shape (n_rows,).
        share: drop of each row's answers as a share of the usual, shape (n_rows,) [-].
        sigma: standard deviation of one point about its row's curve [-].
    """

    overlay: Overlay
    curve: HeaderCurve
    since_s: Floats
    count: Floats
    mean: Floats
    usual: Floats
    belief: Floats
    pooled: Floats
    sound: Flags
    share: Floats
    sigma: float

    @property
    def line(self) -> Ints:
        """Row of each fire as a place in the stack, shape (n_fires,)."""
        return self.overlay.line

    def usual_at_points(self) -> Floats:
        """Deficit of the other sound rows at each point of the overlay [-], shape (n_points,)."""
        points = self.overlay
        usual = np.empty(points.y.size)
        row = points.row_of_point
        for line in range(len(points.rows)):
            mine = row == line
            usual[mine] = np.interp(points.since_s[mine], self.since_s, self.usual[line])
        return usual


def stack_rows(header: Signal, fires: Fires) -> Stack | None:
    """Lay the pulses of each row over each other.

    None where there is too little of anything, or the sampling is in step with the pulses.
    """
    if is_in_step(header, fires):
        return None
    so_far: SoFar | None = None
    stack: Stack | None = None
    for _ in range(_ROUNDS):
        overlay = lay_over(header, fires, so_far)
        if overlay is None:
            return None
        stack = _stack(overlay, so_far)
        most = _MOST_DROP / max(stack.curve.drop, LEAST_DROP)
        usual_s = float(np.median(np.diff(fires.low_s)))
        so_far = SoFar(
            stack.curve,
            np.clip(stack.share, 0.0, most),
            _mute(stack),
            remnants_of(stack.overlay, stack.curve, stack.share, usual_s),
        )
    return stack


def _stack(overlay: Overlay, so_far: SoFar | None) -> Stack:
    edges = _edges()
    n_rows, n_bins = len(overlay.rows), edges.size - 1
    bin_of = np.clip(np.searchsorted(edges, overlay.since_s, side="right") - 1, 0, n_bins - 1)
    at = np.bincount(bin_of, minlength=n_bins)
    middle = (edges[:-1] + edges[1:]) / 2
    total = np.bincount(bin_of, overlay.since_s, n_bins)
    since = np.where(at > 0, total / np.maximum(at, 1), middle)
    y = overlay.y if so_far is None else _led_to(since[bin_of], overlay, so_far.curve)
    cell = overlay.row_of_point * n_bins + bin_of
    count, mean = _cells(cell, y, n_rows, n_bins)
    sigma = _spread(y, mean.reshape(-1)[cell], count)
    answered = slice(None) if so_far is None else ~so_far.mute[overlay.fire]
    of_answers = _cells(cell[answered], y[answered], n_rows, n_bins)
    sound = _sound(*of_answers, so_far)
    used, its_mean = np.where(sound[:, None], of_answers[0], 0.0), of_answers[1]
    pooled = np.stack((used.sum(axis=0), _mean_of(used, its_mean)))
    fitted = fit_header(since, pooled[0], pooled[1], sigma, overlay.width_s)
    usual, belief = _usual(used, its_mean, fitted.drop * fitted.shape(since))
    share = _share(*of_answers, usual)
    return Stack(overlay, fitted, since, count, mean, usual, belief, pooled, sound, share, sigma)


def _led_to(since_s: Floats, overlay: Overlay, curve: HeaderCurve) -> Floats:
    """Deficits led along the refill to their bin's mean time: rows meet a bin at other phases."""
    refilling = overlay.since_s > curve.close_s + curve.width_s
    moved = np.where(refilling, overlay.since_s - since_s, 0.0)
    led: Floats = overlay.y * np.exp(np.clip(moved / curve.tau_s, -1.0, 1.0))
    return led


def _cells(cell: Ints, y: Floats, n_rows: int, n_bins: int) -> tuple[Floats, Floats]:
    """Number of points and their mean, shape (n_rows, n_bins) each."""
    size = n_rows * n_bins
    count = np.bincount(cell, minlength=size).astype(np.float64)
    total = np.bincount(cell, y, size)
    mean = np.divide(total, count, out=np.zeros(size), where=count > 0)
    return count.reshape(n_rows, n_bins), mean.reshape(n_rows, n_bins)


def _share(count: Floats, mean: Floats, usual: Floats) -> Floats:
    s_mm = (count * usual**2).sum(axis=1)
    s_my = (count * mean * usual).sum(axis=1)
    share: Floats = np.divide(s_my, s_mm, out=np.zeros(len(count)), where=s_mm > 0)
    return share


def _mute(stack: Stack) -> Flags:
    """Tell which fires surely made no drop: they say nothing of how deep an answer goes."""
    usual = stack.usual_at_points()
    # Only the deep part of a refill tells: towards its end refills differ from each other.
    deep = usual >= _DEEP * stack.curve.drop
    share, error = pulse_shares(stack, np.where(deep, usual, 0.0))
    clear = error < _CLEAR
    tops = [
        float(np.quantile(share[clear & (stack.line == row)], 0.9))
        for row in np.unique(stack.line[clear])
    ]
    top = max(_commonest(np.array(tops)), _CLEAR) if tops else 1.0
    mute: Flags = (share + 2 * error < _MUTE * top) & clear
    return mute if not mute.all() else np.zeros(share.size, np.bool_)


def pulse_shares(stack: Stack, usual: Floats) -> tuple[Floats, Floats]:
    """Share of a usual pulse that each fire made, and the error of a share of nothing [-].

    Args:
        usual: deficit of a usual pulse at each point of the overlay, shape (n_points,).

    Returns arrays of shape (n_fires,); the error is infinite where a fire has no points.
    """
    points, n_fires = stack.overlay, stack.line.size
    # Where a fire is known to an interval only, a point within it may lie before or after it.
    usual = np.where(points.since_s < points.width_s, 0.0, usual)
    size = np.bincount(points.fire, usual**2, n_fires)
    heard = size > 1e-12
    total = np.bincount(points.fire, usual * points.y, n_fires)
    share = np.divide(total, size, out=np.zeros(n_fires), where=heard)
    # Points late in a refill tell the noise; early ones scatter with the pulses themselves.
    late = usual <= np.median(usual)
    off = (points.y - stack.share[points.row_of_point] * usual)[late]
    noise = TO_DEVIATION * float(np.median(np.abs(off - np.median(off))))
    return share, np.divide(noise, np.sqrt(size), out=np.full(n_fires, np.inf), where=heard)


def _spread(y: Floats, mean: Floats, count: Floats) -> float:
    """Spread of points about the mean of their own cell, fewer by one a cell."""
    free = float(np.maximum(count - 1, 0).sum())
    return max(float(np.sqrt(((y - mean) ** 2).sum() / free)) if free > 0 else 0.0, 1e-5)


def _sound(count: Floats, mean: Floats, so_far: SoFar | None) -> Flags:
    """Tell which rows draw the header down as most of those that answer do."""
    if so_far is not None:
        share = so_far.share
    else:  # no curve yet: each row against the mean of them all
        pooled = np.maximum(_mean_of(count, mean), 0.0)
        share = _share(count, mean, np.broadcast_to(pooled, count.shape))
    usual = _commonest(share)
    near = (share > _PEER[0] * usual) & (share < _PEER[1] * usual)
    middle = float(np.median(share[near])) if near.any() else usual
    near = (share > _PEER[0] * middle) & (share < _PEER[1] * middle)
    return near if near.any() else np.ones(len(count), np.bool_)


def _commonest(share: Floats) -> float:
    """The drop that most rows share; rows that hang may go five times deeper, silent ones do not.

    Of two drops that as many rows share, the deeper one.
    """
    peers = (share > _PEER[0] * share[:, None]) & (share < _PEER[1] * share[:, None])
    n_peers = np.where(share > _NOTHING * share.max(), peers.sum(axis=1), -1)
    return float(share[np.lexsort((share, n_peers))[-1]])


def _usual(count: Floats, mean: Floats, fitted: Floats) -> tuple[Floats, Floats]:
    """Deficit of the other sound rows in each bin, and how much of it is the fitted curve's.

    Args:
        count, mean: points of the sound rows, shape (n_rows, n_bins).
        fitted: the fitted curve's deficit, shape (n_bins,).
    """
    total = count * mean
    others = count.sum(axis=0) - count
    weight = others + _PRIOR_POINTS
    usual = (total.sum(axis=0) - total + _PRIOR_POINTS * fitted) / weight
    return usual, _PRIOR_POINTS / weight


def _mean_of(count: Floats, mean: Floats) -> Floats:
    n = count.sum(axis=0)
    pooled: Floats = np.divide((count * mean).sum(axis=0), n, out=np.zeros(n.size), where=n > 0)
    return pooled


def _edges() -> Floats:
    fine = np.arange(0.0, _FINE_UNTIL_S - _FINE_S / 2, _FINE_S)
    middle = np.arange(_FINE_UNTIL_S, _MIDDLE_UNTIL_S - _MIDDLE_S / 2, _MIDDLE_S)
    return np.concatenate((fine, middle, np.geomspace(_MIDDLE_UNTIL_S, REACH_S, _N_COARSE + 1)))
