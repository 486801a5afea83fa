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
from rowcall.events.overlay import Overlay, is_in_step, lay_over
from rowcall.model import Floats, Signal

# Bins: fine where the valve moves, then wider as the curve flattens.
_FINE_S, _FINE_UNTIL_S, _MIDDLE_S, _MIDDLE_UNTIL_S, _N_COARSE = 0.05, 1.0, 0.1, 3.0, 24
_REACH_S = 25.0
_ROUNDS = 3  # chosen: level, deficits and curve have settled by then
_PEER = (0.75, 1.35)  # chosen: share of the usual drop within which a row is one of the sound ones
_PRIOR_POINTS = 6.0  # chosen: points' worth of belief in the fitted curve in each bin
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
        share: drop of each row as a share of the usual, first estimate, shape (n_rows,) [-].
        sigma: standard deviation of one point about its row's curve [-].
    """

    overlay: Overlay
    curve: HeaderCurve
    since_s: Floats
    count: Floats
    mean: Floats
    usual: Floats
    belief: Floats
    share: Floats
    sigma: float

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
    curve: HeaderCurve | None = None
    share: Floats | None = None
    stack: Stack | None = None
    for _ in range(_ROUNDS):
        of_fire = None if share is None or stack is None else share[stack.overlay.line]
        overlay = lay_over(header, fires, curve, of_fire)
        if overlay is None:
            return None
        stack = _stack(overlay, curve, share)
        curve, share = stack.curve, np.clip(stack.share, 0.0, 0.8 / max(stack.curve.drop, 0.1))
    return stack


def _stack(overlay: Overlay, curve: HeaderCurve | None, share: Floats | None) -> Stack:
    n_rows = len(overlay.rows)
    edges = _edges()
    n_bins = edges.size - 1
    bin_of = np.clip(np.searchsorted(edges, overlay.since_s, side="right") - 1, 0, n_bins - 1)
    at = np.bincount(bin_of, minlength=n_bins)
    middle = (edges[:-1] + edges[1:]) / 2
    since = np.where(at > 0, np.bincount(bin_of, overlay.since_s, n_bins) / np.maximum(at, 1), middle)
    y = overlay.y
    if curve is not None:  # rows meet a wide bin at different phases: lead each point to its mean
        moved = np.where(
            overlay.since_s > curve.close_s + curve.width_s, overlay.since_s - since[bin_of], 0.0
        )
        y = y * np.exp(np.clip(moved / curve.tau_s, -1.0, 1.0))
    cell = overlay.row_of_point * n_bins + bin_of
    size = n_rows * n_bins
    count = np.bincount(cell, minlength=size).astype(np.float64)
    total = np.bincount(cell, y, size)
    mean = np.divide(total, count, out=np.zeros(size), where=count > 0)
    sigma = _spread(y, mean[cell], count)
    count, mean = count.reshape(n_rows, n_bins), mean.reshape(n_rows, n_bins)
    sound = _sound(count, mean, since, curve, share)
    fitted = fit_header(
        since,
        count[sound].sum(axis=0),
        _mean_of(count[sound], mean[sound]),
        sigma,
        overlay.width_s,
    )
    usual, belief = _usual(count, mean, since, fitted, sound)
    s_mm = np.einsum("rb,rb->r", count, usual**2)
    s_my = np.einsum("rb,rb->r", count * mean, usual)
    share = np.divide(s_my, s_mm, out=np.ones(n_rows), where=s_mm > 0)
    return Stack(overlay, fitted, since, count, mean, usual, belief, share, sigma)


def _spread(y: Floats, mean: Floats, count: Floats) -> float:
    """Spread of points about the mean of their own cell, fewer by one a cell."""
    free = float(np.maximum(count - 1, 0).sum())
    return max(float(np.sqrt(((y - mean) ** 2).sum() / free)) if free > 0 else 0.0, 1e-5)


def _sound(
    count: Floats, mean: Floats, since: Floats, curve: HeaderCurve | None, share: Floats | None
) -> npt.NDArray[np.bool_]:
    """Tell which rows draw the header down as rows of it usually do."""
    if share is None or curve is None:
        # No curve yet: the mean deficit of the first points, each bin against all rows' own.
        pooled = np.maximum(_mean_of(count, mean), 0.0)
        s_mm, s_my = count @ pooled**2, (count * mean) @ pooled
        share = np.divide(s_my, s_mm, out=np.zeros(len(count)), where=s_mm > 0)
    usual = float(np.quantile(share, 0.75, method="higher"))
    near = (share > _PEER[0] * usual) & (share < _PEER[1] * usual)
    middle = float(np.median(share[near])) if near.any() else usual
    near = (share > _PEER[0] * middle) & (share < _PEER[1] * middle)
    return near if near.any() else np.ones(len(count), np.bool_)


def _usual(
    count: Floats, mean: Floats, since: Floats, curve: HeaderCurve, sound: npt.NDArray[np.bool_]
) -> tuple[Floats, Floats]:
    """Deficit of the other sound rows in each bin, and how much of it is the fitted curve's."""
    own = np.where(sound[:, None], count, 0.0)
    others = own.sum(axis=0)[None, :] - own
    total = (own * mean).sum(axis=0)[None, :] - own * mean
    fitted = curve.drop * curve.shape(since)
    weight = others + _PRIOR_POINTS
    return (total + _PRIOR_POINTS * fitted[None, :]) / weight, _PRIOR_POINTS / weight


def _mean_of(count: Floats, mean: Floats) -> Floats:
    n = count.sum(axis=0)
    return np.divide((count * mean).sum(axis=0), n, out=np.zeros(n.size), where=n > 0)


def _edges() -> Floats:
    fine = np.arange(0.0, _FINE_UNTIL_S - _FINE_S / 2, _FINE_S)
    middle = np.arange(_FINE_UNTIL_S, _MIDDLE_UNTIL_S - _MIDDLE_S / 2, _MIDDLE_S)
    return np.concatenate((fine, middle, np.geomspace(_MIDDLE_UNTIL_S, _REACH_S, _N_COARSE + 1)))
