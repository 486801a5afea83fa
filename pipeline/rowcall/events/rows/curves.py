"""What the stack of a row shows: how deep its drop is, whether it closes late, how it recovers.

A row's stack is weighed against the curve of the other reference rows (`posterior`). Points of one
pulse err together, and pulses scatter: the likelihood is tempered by how much more the pulses' sums
scatter than points on their own would (a sandwich estimate by pulse). To find a late valve it also
allows for reference rows' curves that differ (`_CURVE_SPREAD`); where they turn out to differ less,
the errors of depth shrink with the misfit (Birge ratio), never below the systematic errors of
`_depth_error`.
"""

from __future__ import annotations

import math

import numpy as np
import polars as pl

from rowcall.events.rows.lateness import CLOSING_ERROR_S, closing_delay
from rowcall.events.rows.posterior import LATE_PRIOR, Posterior, bounded_share, posterior, row_grid
from rowcall.events.rows.reference import (
    CURVE_ERROR,
    FEW_PHASES_ERROR,
    Recovery,
    RefillStart,
    fitted_curve_error,
    peer_error,
    recovery_of,
    unrecovered_share,
)
from rowcall.events.stacking.pulse_curve import MIN_DROP
from rowcall.events.stacking.reference_rows import reference_rows
from rowcall.events.stacking.types import Stack
from rowcall.model import Floats

P_LATE = 0.999  # chosen: probability from which a valve counts as late
# Chosen: relative spread of reference rows' curves about each other, in each bin
_CURVE_SPREAD = 0.05
_MIN_MISFIT = 0.05  # chosen: least share of the stated variance that a good fit leaves of it
# Chosen: depths so near the usual one are taken to have refills of the same shape.
_NEAR_USUAL = 0.1
_MIN_BINS = 12  # bins with points; chosen: of fewer the misfit scatters by half
# Chosen: error of the depth a unit by which it lies below the usual, where the level of the supply
# is off, and above it, where a hanging valve blows on as no model says.
_SHALLOW_ERROR, _DEEP_ERROR = 0.01, 0.05
_MIN_DEPTH_ERROR = 0.004  # chosen: relative error that no number of points takes from a depth
_PEER_SHARE = 0.2  # chosen: of the error of a mean of peers; the ratio is to these very peers
_P_HANGS = 0.5  # chosen: probability from which depth is read where the pressure is lowest
_FEW_PHASES_S = 1.0  # chosen: error of a delay there, as long as most valves hang
_MIN_HANGING = 0.5  # chosen: of the usual drop; of less nothing is seen of a valve that hangs
_ABOUT_S, _MIN_ABOUT = 0.11, 5  # chosen: and over what, from how many points
_UNSEEN_BEND = 0.25  # chosen: where few phases are met; a quarter more than that of an orifice
_SHORT_ERROR = 0.12  # measured: error of a depth a unit of drop that the next pulse may meet
_DEEP_BEND = 2.0  # chosen: of how far refills are from exponential, for those of deeper drops

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


def row_curves(stack: Stack) -> pl.DataFrame:
    """Return what each row's stack says, one line a row, columns `CURVE_COLUMNS`.

    `drop_ratio` is the depth as a share of the median reference row's; `late_s` by how much the
    valve ends its closing later, `p_late` the probability that this exceeds `MIN_LATE_S`;
    `late_power` the chance that a valve hanging 0.4 s at three tenths of its flow would be found
    here. Empty where the header's rows have hardly any drop.
    """
    if stack.curve.drop < MIN_DROP:
        return pl.DataFrame(schema=CURVE_COLUMNS)
    weight, grid = _weight(stack), row_grid(stack)
    found = posterior(grid, weight, stack.mean)
    usual = recovery_of(stack)
    depth = _depth(stack, found, usual.start)
    bend = _bend(stack, usual)
    short = _SHORT_ERROR * unrecovered_share(stack, usual.tau_s)
    n_rows = len(stack.count)
    late_s, late_error = _lateness(stack, found, depth)
    if usual.log_error >= FEW_PHASES_ERROR:  # no bend is seen between few phases
        late_error = np.hypot(late_error, _FEW_PHASES_S)
    return pl.DataFrame(
        {
            "compartment": stack.overlay.rows[:, 0],
            "row": stack.overlay.rows[:, 1],
            "drop_ratio": depth,
            "drop_ratio_error": np.hypot(
                _depth_error(stack, found, depth, bend),
                np.hypot(_level_error(stack, weight), depth * short),
            ),
            "late_s": late_s,
            "late_s_error": late_error,
            "p_late": found.p_late,
            "late_power": _power(posterior(grid, weight, grid.trial()).log_odds),
            "stack_tau_s": usual.tau_s * _relative_tau(stack, found.depth) * np.exp(found.log_tau),
            "stack_tau_log_error": _tau_error(found, usual, bend),
            "n_points": stack.count.sum(axis=1),
            "usual_drop_pa": np.full(n_rows, stack.usual_drop_pa),
            "usual_tau_s": np.full(n_rows, usual.tau_s),
        },
        schema=CURVE_COLUMNS,
    )


def _lateness(stack: Stack, found: Posterior, depth: Floats) -> tuple[Floats, Floats]:
    """How much later each row's closing ends, and its error [s]; the grid's where none hangs."""
    late_s, error = found.late_s.copy(), np.hypot(found.late_error, CLOSING_ERROR_S)
    # A late valve's own misfit is no noise: how much pulses scatter is what most rows show.
    noise = stack.sigma * math.sqrt(float(np.median(_temper(stack))))
    for row in np.flatnonzero(found.p_late > _P_HANGS):
        deep = max(float(depth[row]), _MIN_HANGING)
        fitted = closing_delay(stack, int(row), float(noise[row]), deep, float(late_s[row]))
        # What fits no delay is as uncertain as it is late.
        late_s[row], error[row] = fitted or (late_s[row], max(error[row], late_s[row]))
    return late_s, error


def _weight(stack: Stack) -> Floats:
    """Inverse variance of each bin's mean about its row's curve, shape (n_rows, n_bins)."""
    falling = stack.since_s < stack.curve.close_s + stack.curve.width_s
    steep = np.where(falling, stack.curve.fall_error, 0.0)
    curve_spread = (
        (_CURVE_SPREAD * np.maximum(stack.usual, 0.0)) ** 2 + stack.systematic**2 + steep**2
    )
    # A row before a rest is seen longer than its peers: the end of its refill has no peer.
    curve_spread += (CURVE_ERROR * stack.curve.drop * stack.prior_weight) ** 2
    noise = (stack.sigma**2 * _temper(stack))[:, None]
    return np.asarray(stack.count / (noise + stack.count * curve_spread))


def _depth(stack: Stack, found: Posterior, start: RefillStart) -> Floats:
    """Depth of each row as a share of the median reference row's, shape (n_rows,).

    That of a hanging valve is read where its pressure is lowest: how it gets there depends on flow
    and refill together, which the grid's straight ramp does not follow.
    """
    n, total = stack.count, stack.count * stack.mean
    near = np.abs(stack.since_s[:, None] - stack.since_s[None, :]) < _ABOUT_S
    points = n @ near
    smooth = np.where(points >= _MIN_ABOUT, total @ near / np.maximum(points, 1.0), 0.0)
    lowest = smooth.max(axis=1) / start.deficit
    closes = np.searchsorted(stack.since_s, stack.curve.close_s + found.late_s)
    is_seen = np.take_along_axis(smooth, closes[:, None], axis=1)[:, 0] > 0
    is_read = (found.p_late > _P_HANGS) & is_seen & (stack.curve.width_s < _ABOUT_S)
    depth = np.where(is_read, lowest, found.depth)
    # Of all pulses of a row, so one that misses pulses is no reference row here.
    return np.asarray(depth / np.median(depth[reference_rows(found.depth, stack.curve.drop)]))


def _bend(stack: Stack, usual: Recovery) -> float:
    """How far refills are from exponential: by how much the recovery constants of both differ."""
    if stack.curve.width_s == 0 and not usual.start.is_seen:
        return _UNSEEN_BEND
    return abs(math.log(usual.tau_s / stack.curve.tau_s))


def _depth_error(stack: Stack, found: Posterior, depth: Floats, bend: float) -> Floats:
    usual = float(np.median(found.misfit[stack.reference]))
    many = (stack.count > 0).sum(axis=1) >= _MIN_BINS
    good_fit = np.clip(np.maximum(found.misfit, usual), np.where(many, _MIN_MISFIT, 1.0), 1.0)
    peers = np.hypot(fitted_curve_error(stack), _PEER_SHARE * peer_error(stack))
    below, above = np.maximum(1.0 - depth, 0.0), np.maximum(depth - 1.0, 0.0)
    systematic = (_SHALLOW_ERROR * below) ** 2 + (_DEEP_ERROR * above) ** 2
    systematic += (bend * np.minimum(below + above, _NEAR_USUAL)) ** 2
    of_peers = (depth * np.hypot(peers, _MIN_DEPTH_ERROR)) ** 2
    variance = found.depth_error**2 * good_fit + of_peers + systematic
    return np.asarray(np.sqrt(variance))


def _level_error(stack: Stack, weight: Floats) -> Floats:
    """Error of each row's depth from readings of the supply's level, shape (n_rows,).

    Large where few readings are behind all points of a row, and where these come late in a refill.
    """
    size = (weight * stack.usual**2).sum(axis=1)
    off = (weight * np.abs(stack.usual)).sum(axis=1) * stack.overlay.level_error
    once = np.divide(off, size, out=np.zeros_like(size), where=size > 0)
    n_blocks = int(stack.overlay.block.max(initial=0)) + 1
    met = np.unique(stack.overlay.row_of_point * n_blocks + stack.overlay.block)
    readings = np.bincount(met // n_blocks, minlength=size.size)
    return np.asarray(once / np.sqrt(np.maximum(readings, 1)))


def _relative_tau(stack: Stack, depth: Floats) -> Floats:
    """Recovery constant from each row's depth as a share of the usual one, shape (n_rows,)."""
    usual = stack.curve.drop
    own = stack.path.time_constants_s(bounded_share(depth) * usual)
    return np.asarray(own / stack.path.time_constants_s(np.full(1, usual)))


def _tau_error(found: Posterior, usual: Recovery, bend: float) -> Floats:
    """Relative error of recovery constants; grows where depths differ and no exponential fits."""
    of_depth = bend * np.log(np.clip(found.depth, 0.1, None))
    of_depth = np.maximum(_DEEP_BEND * of_depth, -of_depth)
    return np.asarray(np.sqrt(found.log_tau_error**2 + usual.log_error**2 + of_depth**2))


def _power(log_odds: Floats) -> Floats:
    """Chance that such a valve is found, from the log-odds it gets without noise.

    The gain over the prior is a log-likelihood ratio: with noise it is normal with a variance of
    twice its mean.
    """
    prior = math.log(LATE_PRIOR / (1 - LATE_PRIOR))
    gain = np.clip(log_odds - prior, 1e-9, 1e9)
    needed = math.log(P_LATE / (1 - P_LATE)) - prior
    z = (gain - needed) / np.sqrt(2 * gain)
    return np.array([0.5 * math.erfc(-one / math.sqrt(2)) for one in z.tolist()])


def _temper(stack: Stack) -> Floats:
    """How much more the pulses' sums scatter than independent points would, at least 1 a row."""
    points, n_fires, n_rows = stack.overlay, stack.line.size, len(stack.overlay.rows)
    row = points.row_of_point
    m = stack.usual_at_points
    size = np.bincount(row, m**2, n_rows)
    mean = np.bincount(row, m * points.y, n_rows) / np.maximum(size, 1e-12)
    error = points.y - mean[row] * m
    score = np.bincount(points.fire, m * error, n_fires) ** 2
    naive = np.bincount(points.fire, m**2, n_fires) * stack.sigma[points.line] ** 2
    seen = np.bincount(points.line, score, n_rows)
    expected = np.bincount(points.line, naive, n_rows)
    ratio = np.divide(seen, expected, out=np.ones(n_rows), where=expected > 0)
    return np.maximum(np.maximum(ratio, float(np.median(ratio))), 1.0)
