"""The grid of closings and recovery constants on which a row's stack is weighed.

Against the curve m(u) of the other reference rows each pair, a closing later than theirs by L and a
recovery constant tau, is linear in two unknowns,

    y(u) = s * hold(u; L, tau) + w * ramp(u; L, tau),

s the drop by the peers' closing as a share of theirs, w what the valve adds while it hangs open
(none where L is 0). hold keeps the lowest pressure for L, ramp grows over L, then both refill with
tau. Each pair gets its Bayesian evidence; all figures and their errors are means over the grid, so
what the data leave open (drop or tau, where only the far end of a refill was sampled) is in them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowcall.events.stacking.pulse_curve import PulseCurve, curve_shape, ramp_shape
from rowcall.events.stacking.types import Stack
from rowcall.model import Floats

# Chosen: closing later than the peers' by; the first is closing with them, the second as good as.
_LATER_S = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5])
MIN_LATE_S = 0.25  # chosen: below it a valve closes with its peers
LATE_PRIOR = 0.01  # chosen: one valve in a hundred hangs
# Taus of a row, as multiples of its header's; chosen: close together where most of them lie.
_TAU_RATIOS = np.exp(np.sinh(np.linspace(-3.0, 3.2, 41)) / 10.5)
_TAU_PRIOR = 0.35  # chosen: standard deviation of ln(tau) between rows of a header
# Of the drop by the peers' closing; chosen: three times the spread of reference rows' curves
_MAX_GIVEN_BACK = 0.15
_DEPTH_PRIOR = 2.0  # chosen: drops are a few times the usual at most
_MIN_SHARE = 0.2  # chosen: share of the usual drop; of less no refill is seen
_MIN_LEFT = 0.01  # chosen: of the drop; what is left of it then depends on the level of the supply
# A valve that closes late blows 0.5-2 s: common practice, no source
_TRIAL_S, _TRIAL_SHARE = 0.4, 0.3


@dataclass(frozen=True, slots=True)
class RowGrid:
    """Unit answers of each row, shape (n_rows, n_late, n_tau, n_bins)."""

    hold: Floats
    ramp: Floats
    log_prior: Floats  # (n_late, n_tau)

    def trial(self) -> Floats:
        """Stacks, free of noise, of valves that hang a little, shape (n_rows, n_bins)."""
        late = int(np.argmin(np.abs(_LATER_S - _TRIAL_S)))
        tau = int(np.argmin(np.abs(_TAU_RATIOS - 1.0)))
        return np.asarray(self.hold[:, late, tau] + _TRIAL_SHARE * self.ramp[:, late, tau])


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the grid says of each row, shape (n_rows,) each.

    Attributes:
        depth, late_s, log_tau: means over the grid, each with its standard deviation; `log_tau`
            relative to the header's.
        p_late: probability of closing later than `MIN_LATE_S`; log_odds: the same before the
            sum is lost to rounding.
        misfit: sum of weighted squares about the best pair, a bin.
    """

    depth: Floats
    depth_error: Floats
    late_s: Floats
    late_error: Floats
    log_tau: Floats
    log_tau_error: Floats
    p_late: Floats
    log_odds: Floats
    misfit: Floats


def row_grid(stack: Stack) -> RowGrid:
    """Return the grid of a header's rows."""
    curve, u = stack.curve, stack.since_s
    taus = curve.tau_s * _TAU_RATIOS
    after = np.maximum(u - curve.close_s - curve.width_s / 2, 0.0)
    faded = np.exp(-after[None, :] * (1.0 / taus[:, None] - 1.0 / curve.tau_s))  # (n_tau, n_bins)
    base = (stack.usual * _own_shape(stack))[:, None, :] * faded[None]  # (n_rows, n_tau, n_bins)
    more, ramp = _hanging(curve, taus, u)
    hold = base[:, None] + more[None]
    log_late = np.where(
        _LATER_S == 0, np.log(1 - LATE_PRIOR), np.log(LATE_PRIOR / (_LATER_S.size - 1))
    )
    widths = np.asarray(np.gradient(np.log(_TAU_RATIOS)))
    log_tau = -0.5 * (np.log(_TAU_RATIOS) / _TAU_PRIOR) ** 2 + np.log(widths)
    log_prior = np.asarray(log_late)[:, None] + np.asarray(log_tau)[None, :]
    return RowGrid(hold, np.broadcast_to(ramp[None], hold.shape), log_prior)


def _hanging(curve: PulseCurve, taus: Floats, u: Floats) -> tuple[Floats, Floats]:
    """What holding the lowest pressure adds, and blowing on, shape (n_late, n_tau, n_bins)."""
    more = np.zeros((_LATER_S.size, taus.size, u.size))
    ramp = np.zeros_like(more)
    close_s, width_s, each = curve.close_s, curve.width_s, taus[:, None]
    in_time = curve_shape(u, close_s, each, width_s)
    for i, late in enumerate(_LATER_S):
        if late > 0:
            more[i] = curve.drop * (curve_shape(u, close_s, each, width_s, late) - in_time)
            ramp[i] = curve.drop * ramp_shape(u, close_s, each, width_s, late)
    return more, ramp


def _own_shape(stack: Stack) -> Floats:
    """How refills from each row's depth differ in shape from the usual, shape (n_rows, n_bins).

    A smaller deficit is recovered sooner where the refill is not exponential.
    """
    share, usual, path = bounded_share(stack.share), stack.curve.drop, stack.path
    closed_s = np.maximum(stack.since_s - stack.curve.close_s - stack.curve.width_s, 0.0)
    own = path.after(share[:, None] * usual, closed_s[None]) / share[:, None]
    as_usual = path.after(np.full((1, 1), usual), closed_s[None])
    return np.divide(own, as_usual, out=np.ones_like(own), where=as_usual > _MIN_LEFT * usual)


def bounded_share(share: Floats) -> Floats:
    """Shares of the usual drop from which a refill is known: beyond it, no path is known well."""
    return np.clip(share, _MIN_SHARE, 1.0)


def posterior(grid: RowGrid, weight: Floats, mean: Floats) -> Posterior:
    """Weigh every pair of closing and tau by its evidence.

    Args:
        weight: inverse variance of each bin's mean, shape (n_rows, n_bins).
        mean: the bins' means, same shape.
    """
    fits = _fitted(grid, weight, mean)
    chance = np.exp(fits.evidence - fits.evidence.max(axis=(1, 2), keepdims=True))
    chance /= chance.sum(axis=(1, 2), keepdims=True)
    is_late = _LATER_S > MIN_LATE_S
    mean_depth, spread_depth = _moments(chance, fits.depth)
    late_s, late_error = _moments(chance, np.broadcast_to(_LATER_S[None, :, None], chance.shape))
    log_tau, log_error = _moments(chance, np.broadcast_to(np.log(_TAU_RATIOS), chance.shape))
    left = (weight * mean**2).sum(axis=1) - fits.explained.max(axis=(1, 2))
    return Posterior(
        depth=mean_depth,
        depth_error=np.sqrt(spread_depth**2 + (chance * fits.variance).sum(axis=(1, 2))),
        late_s=late_s,
        late_error=late_error,
        log_tau=log_tau,
        log_tau_error=log_error,
        p_late=chance[:, is_late].sum(axis=(1, 2)),
        log_odds=_log_sum(fits.evidence[:, is_late]) - _log_sum(fits.evidence[:, ~is_late]),
        misfit=np.maximum(left, 0.0) / np.maximum((weight > 0).sum(axis=1) - 2, 1),
    )


@dataclass(frozen=True, slots=True)
class _Fits:
    """Every pair of closing and tau fitted to every row, shape (n_rows, n_late, n_tau) each.

    Attributes:
        evidence: logarithm of the Bayesian evidence, prior included.
        explained: sum of weighted squares that the pair explains.
        depth, variance: best depth as a share of the peers', and its variance.
    """

    evidence: Floats
    explained: Floats
    depth: Floats
    variance: Floats


def _fitted(grid: RowGrid, weight: Floats, mean: Floats) -> _Fits:
    prior = 1.0 / _DEPTH_PRIOR**2
    hh = np.einsum("rltb,rb->rlt", grid.hold**2, weight) + prior
    hr = np.einsum("rltb,rltb,rb->rlt", grid.hold, grid.ramp, weight)
    rr = np.einsum("rltb,rb->rlt", grid.ramp**2, weight) + prior
    hy = np.einsum("rltb,rb->rlt", grid.hold, weight * mean)
    ry = np.einsum("rltb,rb->rlt", grid.ramp, weight * mean)
    det = hh * rr - hr**2
    s, w = (rr * hy - hr * ry) / det, (hh * ry - hr * hy) / det
    explained = s * hy + w * ry
    evidence = 0.5 * explained - 0.5 * np.log(det / prior**2) + grid.log_prior
    # A valve that hangs goes on blowing: it may hold its depth, but does not give it back.
    evidence[:, 1:] = np.where((w < -_MAX_GIVEN_BACK * np.abs(s))[:, 1:], -np.inf, evidence[:, 1:])
    depth, variance = s + w, (rr + hh - 2 * hr) / det
    variance[:, 0] = 1.0 / hh[:, 0]  # closing with the peers there is no second unknown
    depth[:, 0] = s[:, 0]
    return _Fits(evidence, explained, depth, variance)


def _moments(chance: Floats, values: Floats) -> tuple[Floats, Floats]:
    mean = (chance * values).sum(axis=(1, 2))
    square = (chance * (values - mean[:, None, None]) ** 2).sum(axis=(1, 2))
    return mean, np.sqrt(square)


def _log_sum(logs: Floats) -> Floats:
    """Logarithm of the sum over closings and taus of exp(logs)."""
    total: Floats = np.logaddexp.reduce(logs.reshape(len(logs), -1), axis=1)
    return total
