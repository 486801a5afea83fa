"""What is usual among the rows of a header, and how well that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rowcall.events.stacking.types import Stack
from rowcall.model import Floats

_NEAR_37 = (0.25, 0.55)  # chosen: shares of the drop about 1/e from which the time is read
_EARLY_TAUS = 0.35  # chosen: of the fitted time constant, in which a refill begins
_SETTLED_S = 0.2  # chosen: from the lowest pressure on; valves take that long to close
_LATE_TAUS = 0.1  # chosen: of the time constant; a lowest pressure later than that is noise
_FLAT_SHARE = 0.98  # chosen: share of the greatest deficit about which a path is flat
_MIN_BINS = 3  # bins; chosen: a straight line and one degree of freedom
# Measured on both simulators: relative error of reading a recovery constant from a stack that shows
# where the refill begins, from one that does not, of an exponential through a refill of unknown
# shape, and of one through few phases; and as a share of how far the refill is from exponential.
_READ_ERROR, _UNREAD_ERROR, _FITTED_ERROR, _BEND_ERROR = 0.014, 0.12, 0.15, 0.18
FEW_PHASES_ERROR = 0.5
# Measured: of the bounds of values that were put back, as all of them may be off alike
_HELD_ERROR = 3.0
_BEFORE_NEXT = 0.9  # chosen: quantile of the points' times that is near the time to the next pulse
_MIN_TAU_S = 0.05  # chosen: less than any valve takes to close
_MIN_POINTS = 8  # points a bin; chosen: fewer make a bin of noise
CURVE_ERROR = 0.08  # chosen: relative error of the fitted curve where nothing else is known
# Relative spread of rows where too few show theirs; chosen: rows of one build differ by 3-5 %
_BUILD_SPREAD = 0.05


def peer_error(stack: Stack) -> Floats:
    """Relative error of what is usual: the few reference rows differ by build."""
    spread = (
        float(np.std(stack.share[stack.reference], ddof=1))
        if stack.reference.sum() > 2
        else _BUILD_SPREAD
    )
    others = np.maximum(stack.reference.sum() - stack.reference, 1)
    return np.asarray(spread / np.sqrt(others))


@dataclass(frozen=True, slots=True)
class RefillStart:
    """When after a fire the reference rows' refill begins [s], and from what deficit [-].

    log_error: relative error of the deficit from noise. is_seen: read from their stack, not from
    the fitted curve.
    """

    at_s: float
    deficit: float
    log_error: float
    is_seen: bool


@dataclass(frozen=True, slots=True)
class Recovery:
    """Time in which a reference row's drop is recovered to 63 % [s], its relative error [-], and
    when that refill start."""

    tau_s: float
    log_error: float
    start: RefillStart


def recovery_of(stack: Stack) -> Recovery:
    """Read the recovery constant off the reference rows' stack, for refills are not quite
    exponential.

    Where that has too few points there, or the fires' instants are uncertain, it is the fitted
    curve's.
    """
    (n, mean), start = stack.pooled, _refill_start(stack)
    after = stack.since_s - start.at_s
    near = (n >= _MIN_POINTS) & (after > 0)
    near &= (mean > _NEAR_37[0] * start.deficit) & (mean < _NEAR_37[1] * start.deficit)
    if stack.curve.width_s > 0 or near.sum() < _MIN_BINS:
        error = _FITTED_ERROR if stack.curve.width_s > 0 else FEW_PHASES_ERROR
        return Recovery(stack.curve.tau_s, error, start)
    log, weight = np.log(mean[near] / start.deficit), np.sqrt(n[near])
    fitted = np.polyfit(log, after[near], 2 if near.sum() > _MIN_BINS else 1, w=weight)
    tau_s = max(float(np.polyval(fitted, -1.0)), _MIN_TAU_S)
    bend = math.log(tau_s / stack.curve.tau_s)
    noise = _noise(stack) / math.sqrt(float(n[near] @ mean[near] ** 2))
    error = math.hypot(_READ_ERROR if start.is_seen else _UNREAD_ERROR, _BEND_ERROR * bend)
    held = _held_error(stack, stack.since_s[near])
    error = math.hypot(error, noise, start.log_error, held, unrecovered_share(stack, tau_s))
    return Recovery(tau_s, error, start)


def _held_error(stack: Stack, since_s: Floats) -> float:
    """Relative error from reference rows' scans of some bins that repeat the value before."""
    points = stack.overlay
    if not points.is_held:
        return 0.0
    some = (points.since_s >= since_s[0]) & (points.since_s <= since_s[-1])
    some &= stack.reference[points.row_of_point]
    level = float(np.mean(points.y[some])) if some.any() else 0.0
    return _HELD_ERROR * float(np.mean(points.error[some])) / level if level > 0 else 0.0


def unrecovered_share(stack: Stack, tau_s: float) -> float:
    """Share of a drop that the next pulse may meet: so little is known of where refills end [-]."""
    until_s = float(np.quantile(stack.overlay.since_s, _BEFORE_NEXT))
    return math.exp(-until_s / tau_s)


def _noise(stack: Stack) -> float:
    """Standard deviation of a point of a reference row [-]."""
    return float(np.sqrt(np.mean(stack.sigma[stack.reference] ** 2)))


def _refill_start(stack: Stack) -> RefillStart:
    """Where the reference rows' pressure is lowest; by the fitted curve where that is not seen."""
    (n, mean), curve = stack.pooled, stack.curve
    known = n >= _MIN_POINTS
    fitted = RefillStart(curve.close_s, curve.drop, 0.0, is_seen=False)
    if curve.width_s > 0 or not known.any():
        return fitted
    lowest_s = _lowest_s(stack.since_s[known], n[known], mean[known])
    after = stack.since_s - lowest_s
    # An exponential through all of a refill that begins slowly would begin too high.
    early = (
        known & (after > _SETTLED_S) & (after < _SETTLED_S + _EARLY_TAUS * curve.tau_s) & (mean > 0)
    )
    latest_s = curve.close_s + _SETTLED_S + _LATE_TAUS * curve.tau_s
    if early.sum() < _MIN_BINS or lowest_s > latest_s:
        return fitted
    weight = np.sqrt(n[early]) * mean[early] / _noise(stack)
    line, spread = np.polyfit(after[early], np.log(mean[early]), 1, w=weight, cov="unscaled")
    return RefillStart(lowest_s, float(np.exp(line[1])), math.sqrt(spread[1, 1]), is_seen=True)


def _lowest_s(since_s: Floats, n: Floats, mean: Floats) -> float:
    """Time of the lowest pressure: the middle of where it lies within noise's reach of it."""
    three = np.ones(min(3, n.size))
    smooth = np.convolve(n * mean, three, "same") / np.convolve(n, three, "same")
    top = float(smooth.max())
    low = smooth >= top - (1.0 - _FLAT_SHARE) * abs(
        top
    )  # of noise alone the top may lie below zero
    return float(np.average(since_s[low], weights=n[low]))


def fitted_curve_error(stack: Stack) -> Floats:
    """Relative error of each row's drop from resting on the fitted curve alone."""
    size = stack.count * stack.usual**2
    total = size.sum(axis=1)
    share = np.divide(
        (size * stack.prior_weight).sum(axis=1), total, out=np.ones(total.size), where=total > 0
    )
    error: Floats = CURVE_ERROR * share
    return error
