"""Stacks: the overlaid points of each row in bins of time since fire, and what they have in common.

The header's reference rows share one curve. It is taken as it was measured, bin by bin, from the
rows of usual depth together (for each row from the others alone), so that whatever the supply, the
transmitter or the scan does to all rows alike is in it and cancels. Where the others have no
points, as when the sampling is in step with the pulses, the fitted curve stands in, and how little
is known of it there widens the error.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.recorded import Fires
from rowcall.events.stacking.aliasing import is_in_step
from rowcall.events.stacking.baseline_error import level_corrected
from rowcall.events.stacking.bins import binned, cells, mean_of, spread
from rowcall.events.stacking.decompress import Filled
from rowcall.events.stacking.overlay import MIN_POINTS, points_of, stack_points
from rowcall.events.stacking.pulse_curve import MIN_DROP, PulseCurve, fit_curve
from rowcall.events.stacking.pulse_fraction import DEEP, unanswered_fires
from rowcall.events.stacking.recovery_path import RecoveryPath, drops_along, measured_path
from rowcall.events.stacking.reference_rows import reference_rows
from rowcall.events.stacking.types import Carryover, Overlay, PreviousRound, Stack
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_ROUNDS = 3  # chosen: level, deficits and curve have settled by then
_MAX_DROP = 0.8  # chosen: of gauge pressure, to keep a guess at what is left within bounds
_MIN_UNDISTURBED = 2  # rows; chosen: each is compared with at least one other
_CARRYOVER_ERROR = 0.1  # of what earlier pulses left; chosen: so well its recovery is followed
_MIN_LATE_POINTS = 20  # points of a bin; chosen: their mean is known to a quarter of their scatter
_MIN_FALL = 0.3  # chosen: of the deepest bin; more than refills leave so late
_MIN_CARRYOVER_POINTS = 8  # points; chosen: fewer show less than the fitted curve does
_LATE = 0.75  # chosen: share of the time to the next fire from which they are taken
_PRIOR_POINTS = 6.0  # chosen: prior weight of the fitted curve in each bin, in points


def stack_rows(filled: Filled, fires: Fires) -> Stack | None:
    """Stack the pulses of each row.

    None where there is too little of anything, the sampling is in step with the pulses, or the
    pressure falls at other times than the fires say it should.

    Args:
        filled: pressure of one header, its left-out scans put back [Pa, gauge].
        fires: of that header in order of time, clock offset removed.
    """
    if fires.size < 2 or is_in_step(filled.signal, fires):
        return None
    if filled.signal.time_s.size < MIN_POINTS:
        return None
    usual_s = float(np.median(np.diff(fires.low_s)))
    points, stack = points_of(filled, fires), None
    for _ in range(_ROUNDS):
        previous = None if stack is None else _handed_on(stack, usual_s)
        overlay = stack_points(points, fires, previous)
        if overlay is None:
            return None
        if previous is not None:
            overlay = level_corrected(overlay, previous)
        stack = _stack(overlay, previous)
    return None if stack is None or _contradicts(stack, usual_s) else stack


def _handed_on(stack: Stack, usual_s: float) -> PreviousRound:
    """What one round hands to the next."""
    max_drop = _MAX_DROP / max(stack.curve.drop, MIN_DROP)
    share = np.clip(stack.share, 0.0, max_drop)
    return PreviousRound(stack.curve, share, unanswered_fires(stack), _carryover(stack, usual_s))


def _carryover(stack: Stack, usual_s: float) -> Carryover:
    """What the pulses of each row leave, from the points in the last quarter of their time."""
    points, path = stack.overlay, stack.path
    row, n_rows = points.row_of_point, len(points.rows)
    late = (points.since_s >= _LATE * usual_s) & (points.since_s < usual_s)
    count = np.bincount(row[late], minlength=n_rows)
    total = np.bincount(row[late], points.total_deficit[late], n_rows)
    since = np.bincount(row[late], points.since_s[late], n_rows)
    mean, at_s = total / np.maximum(count, 1), since / np.maximum(count, 1)
    fitted = stack.row_drop * np.exp(-usual_s / stack.curve.tau_s)
    left = np.where(count >= _MIN_CARRYOVER_POINTS, path.after(mean, usual_s - at_s), fitted)
    return Carryover(np.where(left > 0, left, 0.0), stack.row_drop, usual_s, path)


def _contradicts(stack: Stack, usual_s: float) -> bool:
    """Tell whether what the reference rows show in the later half of their time is no refill's end.

    Where the fires' times are wrong it grows again, or the level lies below the pressure.
    """
    (n, mean), since = stack.pooled, stack.since_s
    is_known = n >= _MIN_LATE_POINTS
    later = is_known & (since > usual_s / 2) & (since < usual_s)
    middle = is_known & (since > usual_s / 4) & (since <= usual_s / 2)
    if not later.any() or not middle.any():
        return False
    min_fall = max(_MIN_FALL * float(mean[is_known].max()), MIN_DROP)
    max_drop = float(mean[later].max())
    falls = max_drop > 2.0 * float(mean[middle].max()) and max_drop > min_fall
    return falls or float(mean[later].min()) < -min_fall


def _stack(overlay: Overlay, previous: PreviousRound | None) -> Stack:
    since, bin_of = binned(overlay.since_s)
    shape = (len(overlay.rows), since.size)
    y = overlay.y if previous is None else _at_bin_time(since[bin_of], overlay, previous.curve)
    cell = overlay.row_of_point * since.size + bin_of
    count, mean = cells(cell, y, shape)
    sigma = spread(overlay.row_of_point, y - mean.reshape(-1)[cell], count)
    answered = slice(None) if previous is None else ~previous.unanswered[overlay.fire]
    of_answers = cells(cell[answered], y[answered], shape)
    left = np.bincount(overlay.line, overlay.left) / np.bincount(overlay.line)
    reference = _reference(*of_answers, left, previous)
    n_used, its_mean = np.where(reference[:, None], of_answers[0], 0.0), of_answers[1]
    pooled = np.stack((n_used.sum(axis=0), mean_of(n_used, its_mean)))
    noise = float(np.sqrt(np.mean(sigma[reference] ** 2)))
    fitted = fit_curve(since, pooled[0], pooled[1], noise, overlay.width_s)
    usual, prior_weight = _usual(n_used, its_mean, fitted.drop * fitted.shape(since))
    share = _share(*of_answers, usual)
    total_deficit = cells(cell[answered], overlay.total_deficit[answered], shape)[1]
    path = measured_path(since, of_answers[0], total_deficit, reference, fitted)
    closed_s = np.maximum(since - fitted.close_s - fitted.width_s, 0.0)
    odd = _carryover_error(path, closed_s, left, reference)
    seen = of_answers[0], total_deficit
    row_drop = _row_drops(path, closed_s, *seen, left, share * fitted.drop, odd)
    systematic = np.hypot(odd, cells(cell, overlay.error, shape)[1])
    return Stack(
        overlay=overlay,
        curve=fitted,
        since_s=since,
        count=count,
        mean=mean,
        usual=usual,
        prior_weight=prior_weight,
        systematic=systematic,
        pooled=pooled,
        reference=reference,
        share=share,
        sigma=sigma,
        path=path,
        row_drop=row_drop,
        usual_at_points=_at_points(overlay, since, usual),
        systematic_at_points=_at_points(overlay, since, systematic),
    )


def _at_points(points: Overlay, since_s: Floats, values: Floats) -> Floats:
    """What holds at each point of the overlay, of what holds of each row and bin."""
    at_points = np.empty(points.y.size)
    row = points.row_of_point
    for line in range(len(points.rows)):
        mine = row == line
        at_points[mine] = np.interp(points.since_s[mine], since_s, values[line])
    return at_points


def _reference(count: Floats, mean: Floats, left: Floats, previous: PreviousRound | None) -> Flags:
    if previous is not None:
        drop = previous.curve.drop
        return _undisturbed(left, reference_rows(previous.share, drop), drop)
    of_all = np.maximum(mean_of(count, mean), 0.0)  # no curve yet: the mean of all rows
    share = _share(count, mean, np.broadcast_to(of_all, count.shape))
    return reference_rows(share, float(of_all.max()))


def _undisturbed(left: Floats, reference: Flags, drop: float) -> Flags:
    """Reference rows that met what such rows usually meet; all where these are few."""
    usual = float(np.median(left[reference]))
    undisturbed = reference & (np.abs(left - usual) <= DEEP * drop)
    return undisturbed if undisturbed.sum() >= _MIN_UNDISTURBED else reference


def _carryover_error(
    path: RecoveryPath, closed_s: Floats, left: Floats, reference: Flags
) -> Floats:
    usual = np.full(left.size, float(np.median(left[reference])))
    both = (path.after(one[:, None], closed_s[None]) for one in (left, usual))
    return _CARRYOVER_ERROR * np.abs(np.subtract(*both))


def _row_drops(
    path: RecoveryPath,
    closed_s: Floats,
    count: Floats,
    total_deficit: Floats,
    left: Floats,
    usual: Floats,
    systematic: Floats,
) -> Floats:
    """Deficit that each row's answers make; beyond the usual only where they met an odd one."""
    row_drop = np.clip(usual, 0.0, _MAX_DROP)
    is_odd = systematic.max(axis=1) > _CARRYOVER_ERROR * DEEP * usual.max()
    row_drop[is_odd] = drops_along(
        path, closed_s, count[is_odd] * (closed_s > 0), total_deficit[is_odd], left[is_odd]
    )
    return row_drop


def _at_bin_time(since_s: Floats, overlay: Overlay, curve: PulseCurve) -> Floats:
    """Deficits moved along the refill to the mean time of their bin, which rows meet apart."""
    refilling = overlay.since_s > curve.close_s + curve.width_s
    moved = np.where(refilling, overlay.since_s - since_s, 0.0)
    moved_y: Floats = overlay.y * np.exp(np.clip(moved / curve.tau_s, -1.0, 1.0))
    return moved_y


def _share(count: Floats, mean: Floats, usual: Floats) -> Floats:
    s_mm = (count * usual**2).sum(axis=1)
    s_my = (count * mean * usual).sum(axis=1)
    share: Floats = np.divide(s_my, s_mm, out=np.zeros(len(count)), where=s_mm > 0)
    return share


def _usual(count: Floats, mean: Floats, fitted: Floats) -> tuple[Floats, Floats]:
    """Deficit of the other reference rows in each bin, and how much of it is the fitted curve's.

    Args:
        count, mean: points of the reference rows, shape (n_rows, n_bins).
        fitted: the fitted curve's deficit, shape (n_bins,).
    """
    total = count * mean
    others = count.sum(axis=0) - count
    weight = others + _PRIOR_POINTS
    usual = (total.sum(axis=0) - total + _PRIOR_POINTS * fitted) / weight
    return usual, _PRIOR_POINTS / weight
