"""What the stack of a row says: how deep it draws, whether it closes late, how it comes back.

Against the curve m(u) of the other sound rows a row's stack is weighed on a grid of closings (later
by L) and recovery constants tau. For each pair it is linear in two unknowns,

    y(u) = s * hold(u; L, tau) + w * ramp(u; L, tau),

s the drop by the peers' closing as a share of theirs, w what the valve adds while it hangs open
(none where L is 0). hold keeps the lowest pressure for L, ramp grows over L, then both refill with
tau. Each pair gets its Bayesian evidence; all figures and their errors are means over the grid, so
what the data leave open (drop or tau, where only the far end of a refill was sampled) is in them.
Points of one pulse err together, and pulses scatter: the likelihood is tempered by how much more
the pulses' sums scatter than points on their own would (a sandwich estimate by pulse).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.events.header_curve import LEAST_DROP, curve_shape, ramp_shape
from rowcall.events.peers import borrowed, peers_differ, time_constant
from rowcall.events.stack import Stack
from rowcall.model import Floats

# Chosen: closing later than the peers' by; the first is closing with them, the second as good as.
_LATER_S = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0, 2.5])
LATE_LEAST_S = 0.25  # chosen: below it a valve closes with its peers
SURE_LATE = 0.999  # chosen: probability from which a valve counts as late
_LATE_PRIOR = 0.01  # chosen: one valve in a hundred hangs
# Taus of a row, as multiples of its header's: close together where most of them lie.
_NEAR = np.exp(np.sinh(np.linspace(-3.0, 3.2, 41)) / 10.5)
_TAU_PRIOR = 0.35  # chosen: standard deviation of ln(tau) between rows of a header
_GIVEN_BACK = 0.15  # chosen: of the drop by the peers' closing
_DEPTH_PRIOR = 2.0  # chosen: drops are a few times the usual at most
# Chosen: by which a row's points in a bin lie apart from the others' in time, or its fires do from
# what the bits say; while the pressure falls that is most of what a few points show.
_FALL_S = 0.03
_OWN_WAYS = 0.05  # chosen: relative spread of sound rows' curves about each other, in each bin

CURVE_COLUMNS = {
    "compartment": pl.Int64,
    "row": pl.Int64,
    "drop_ratio": pl.Float64,
    "drop_ratio_error": pl.Float64,
    "late_s": pl.Float64,
    "late_s_error": pl.Float64,
    "p_late": pl.Float64,
    "late_power": pl.Float64,
    "stack_tau_s": pl.Float64,
    "stack_tau_log_error": pl.Float64,
    "n_points": pl.Float64,
    "usual_drop_pa": pl.Float64,
    "usual_tau_s": pl.Float64,
}
_TRIAL_S, _TRIAL_SHARE = 0.4, 0.3  # a drawn-out valve blows 0.5-2 s: common practice, no source


@dataclass(frozen=True, slots=True)
class _Grid:
    """Unit answers on the grid, shape (n_rows, n_late, n_tau, n_bins)."""

    hold: Floats
    ramp: Floats
    log_prior: Floats  # (n_late, n_tau)


def row_curves(stack: Stack) -> pl.DataFrame:
    """Return what each row's stack says, one line a row, columns `CURVE_COLUMNS`.

    `drop_ratio` is the depth as a share of the sound rows'; `late_s` by how much the valve closes
    later than theirs, `p_late` the probability that this exceeds `LATE_LEAST_S`; `late_power`
    the chance that a valve hanging 0.4 s at three tenths of its flow would be found here. Empty
    where the header's rows hardly draw it down at all.
    """
    if stack.curve.drop < LEAST_DROP:
        return pl.DataFrame(schema=CURVE_COLUMNS)
    temper = _temper(stack)
    falling = stack.since_s < stack.curve.close_s + stack.curve.width_s
    steep = np.where(falling, _FALL_S * stack.curve.drop / stack.curve.close_s, 0.0)
    own_ways = (_OWN_WAYS * np.maximum(stack.usual, 0.0)) ** 2 + stack.odd**2 + steep**2
    noise = (stack.sigma**2 * temper)[:, None]
    weight = stack.count / (noise + stack.count * own_ways)
    grid = _grid(stack)
    found = _posterior(grid, weight, stack.mean)
    refill_s = time_constant(stack)
    bend = math.log(refill_s / stack.curve.tau_s)  # how far refills are from exponential
    trial = _posterior(grid, weight, _trial(grid, stack))
    relative = borrowed(stack) ** 2 + peers_differ(stack) ** 2
    variance = found.depth_error**2 + found.depth**2 * relative
    return pl.DataFrame(
        {
            "compartment": stack.overlay.rows[:, 0],
            "row": stack.overlay.rows[:, 1],
            "drop_ratio": found.depth,
            "drop_ratio_error": np.sqrt(variance),
            "late_s": found.late_s,
            "late_s_error": found.late_error,
            "p_late": found.p_late,
            "late_power": _power(trial.log_odds),
            "stack_tau_s": refill_s * np.exp(found.log_tau),
            "stack_tau_log_error": np.hypot(found.log_tau_error, abs(bend)),
            "n_points": stack.count.sum(axis=1),
            "usual_drop_pa": np.full(
                len(stack.count), stack.curve.drop * np.median(stack.overlay.before_pa)
            ),
            "usual_tau_s": np.full(len(stack.count), refill_s),
        },
        schema=CURVE_COLUMNS,
    )


@dataclass(frozen=True, slots=True)
class _Posterior:
    """Means and standard deviations over the grid, shape (n_rows,) each."""

    depth: Floats
    depth_error: Floats
    late_s: Floats
    late_error: Floats
    p_late: Floats
    log_odds: Floats
    log_tau: Floats
    log_tau_error: Floats


def _posterior(grid: _Grid, weight: Floats, mean: Floats) -> _Posterior:
    """Weigh every pair of closing and tau by its evidence.

    Args:
        weight: inverse variance of each bin's mean, shape (n_rows, n_bins).
        mean: the bins' means, same shape.
    """
    prior = 1.0 / _DEPTH_PRIOR**2
    hh = np.einsum("rltb,rb->rlt", grid.hold**2, weight) + prior
    hr = np.einsum("rltb,rltb,rb->rlt", grid.hold, grid.ramp, weight)
    rr = np.einsum("rltb,rb->rlt", grid.ramp**2, weight) + prior
    hy = np.einsum("rltb,rb->rlt", grid.hold, weight * mean)
    ry = np.einsum("rltb,rb->rlt", grid.ramp, weight * mean)
    det = hh * rr - hr**2
    s, w = (rr * hy - hr * ry) / det, (hh * ry - hr * hy) / det
    evidence = 0.5 * (s * hy + w * ry) - 0.5 * np.log(det / prior**2) + grid.log_prior
    # A valve that hangs goes on blowing: it may hold its depth, but does not give it back.
    evidence[:, 1:] = np.where((w < -_GIVEN_BACK * np.abs(s))[:, 1:], -np.inf, evidence[:, 1:])
    chance = np.exp(evidence - evidence.max(axis=(1, 2), keepdims=True))
    chance /= chance.sum(axis=(1, 2), keepdims=True)
    is_late = _LATER_S > LATE_LEAST_S
    depth, variance = s + w, (rr + hh - 2 * hr) / det
    variance[:, 0] = 1.0 / hh[:, 0]  # closing with the peers there is no second unknown
    depth[:, 0] = s[:, 0]
    mean_depth, spread_depth = _moments(chance, depth)
    late_s, late_error = _moments(chance, np.broadcast_to(_LATER_S[None, :, None], chance.shape))
    log_tau, log_error = _moments(chance, np.broadcast_to(np.log(_NEAR), chance.shape))
    return _Posterior(
        mean_depth,
        np.sqrt(spread_depth**2 + (chance * variance).sum(axis=(1, 2))),
        late_s,
        late_error,
        chance[:, is_late].sum(axis=(1, 2)),
        _log_sum(evidence[:, is_late]) - _log_sum(evidence[:, ~is_late]),
        log_tau,
        log_error,
    )


def _moments(chance: Floats, values: Floats) -> tuple[Floats, Floats]:
    mean = (chance * values).sum(axis=(1, 2))
    square = (chance * (values - mean[:, None, None]) ** 2).sum(axis=(1, 2))
    return mean, np.sqrt(square)


def _grid(stack: Stack) -> _Grid:
    curve, u = stack.curve, stack.since_s
    taus = curve.tau_s * _NEAR
    after = np.maximum(u - curve.close_s - curve.width_s / 2, 0.0)
    faded = np.exp(-after[None, :] * (1.0 / taus[:, None] - 1.0 / curve.tau_s))  # (n_tau, n_bins)
    base = stack.usual[:, None, :] * faded[None]  # (n_rows, n_tau, n_bins)
    in_time = [curve_shape(u, curve.close_s, tau, curve.width_s) for tau in taus]
    more = np.zeros((_LATER_S.size, taus.size, u.size))
    ramp = np.zeros_like(more)
    for i, late in enumerate(_LATER_S):
        if late == 0:
            continue
        for j, tau in enumerate(taus):
            held = curve_shape(u, curve.close_s, tau, curve.width_s, late)
            more[i, j] = curve.drop * (held - in_time[j])
            ramp[i, j] = curve.drop * ramp_shape(u, curve.close_s, tau, curve.width_s, late)
    hold = base[:, None] + more[None]
    log_late = np.where(
        _LATER_S == 0, np.log(1 - _LATE_PRIOR), np.log(_LATE_PRIOR / (_LATER_S.size - 1))
    )
    widths = np.asarray(np.gradient(np.log(_NEAR)))
    log_tau = -0.5 * (np.log(_NEAR) / _TAU_PRIOR) ** 2 + np.log(widths)
    log_prior = np.asarray(log_late)[:, None] + np.asarray(log_tau)[None, :]
    return _Grid(hold, np.broadcast_to(ramp[None], hold.shape), log_prior)


def _trial(grid: _Grid, stack: Stack) -> Floats:
    """The stack, free of noise, of a sound row's valve that hangs a little."""
    late, tau = int(np.argmin(np.abs(_LATER_S - _TRIAL_S))), int(np.argmin(np.abs(_NEAR - 1.0)))
    return np.asarray(grid.hold[:, late, tau] + _TRIAL_SHARE * grid.ramp[:, late, tau])


def _log_sum(logs: Floats) -> Floats:
    """Logarithm of the sum over closings and taus of exp(logs)."""
    total: Floats = np.logaddexp.reduce(logs.reshape(len(logs), -1), axis=1)
    return total


def _power(log_odds: Floats) -> Floats:
    """Chance that such a valve is found, from the log-odds it gets without noise.

    The gain over the prior is a log-likelihood ratio: with noise it is normal with a variance of
    twice its mean.
    """
    prior = math.log(_LATE_PRIOR / (1 - _LATE_PRIOR))
    gain = np.clip(log_odds - prior, 1e-9, 1e9)
    needed = math.log(SURE_LATE / (1 - SURE_LATE)) - prior
    z = (gain - needed) / np.sqrt(2 * gain)
    return np.array([0.5 * math.erfc(-one / math.sqrt(2)) for one in z.tolist()])


def _temper(stack: Stack) -> Floats:
    """How much more the pulses' sums scatter than independent points would, at least 1 a row."""
    points, n_fires, n_rows = stack.overlay, stack.line.size, len(stack.overlay.rows)
    row = points.row_of_point
    m = stack.at_points(stack.usual)
    size = np.bincount(row, m**2, n_rows)
    mean = np.bincount(row, m * points.y, n_rows) / np.maximum(size, 1e-12)
    error = points.y - mean[row] * m
    score = np.bincount(points.fire, m * error, n_fires) ** 2
    naive = np.bincount(points.fire, m**2, n_fires) * stack.sigma[points.line] ** 2
    seen = np.bincount(points.line, score, n_rows)
    expected = np.bincount(points.line, naive, n_rows)
    ratio = np.divide(seen, expected, out=np.ones(n_rows), where=expected > 0)
    return np.maximum(np.maximum(ratio, float(np.median(ratio))), 1.0)
