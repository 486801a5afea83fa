"""Stacks: the overlaid points of each row in bins of time since fire, and what they have in common.

The header's sound rows share one curve. It is taken as it was measured, bin by bin, from the rows
of usual depth together (for each row from the others alone), so that whatever the supply, the
transmitter or the scan does to all rows alike is in it and cancels. Where the others have no
points, as when the sampling is in step with the pulses, the fitted curve stands in, and how little
is known of it there widens the error.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.recorded import Fires
from rowcall.events.stacking.aliasing import is_in_step
from rowcall.events.stacking.baseline_error import level_mended
from rowcall.events.stacking.bins import binned, cells, mean_of, spread
from rowcall.events.stacking.decompress import Filled
from rowcall.events.stacking.overlay import lay_over
from rowcall.events.stacking.pulse_curve import LEAST_DROP, HeaderCurve, fit_header
from rowcall.events.stacking.pulse_fraction import DEEP, mute_fires
from rowcall.events.stacking.recovery_path import Course, course_of, drops_on
from rowcall.events.stacking.reference_rows import sound_rows
from rowcall.events.stacking.types import Overlay, Remnants, SoFar, Stack
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_ROUNDS = 3  # chosen: level, deficits and curve have settled by then
_MOST_DROP = 0.8  # chosen: of gauge pressure, to keep a guess at what is left within bounds
_FEWEST_PLAIN = 2  # chosen: sound rows that are held up to the others
_ODD_DOUBT = 0.1  # chosen: how well the making good of what earlier pulses left is followed
_FEWEST_LATE = 20  # chosen: points of a bin
_FALLS = 0.3  # chosen: of the deepest bin; more than refills leave so late
_FEWEST_LEFT = 8  # chosen: points that tell what a row leaves for the next fire
_LATE = 0.75  # chosen: share of the time to the next fire from which they are taken
_PRIOR_POINTS = 6.0  # chosen: points' worth of belief in the fitted curve in each bin


def stack_rows(filled: Filled, fires: Fires) -> Stack | None:
    """Lay the pulses of each row over each other.

    None where there is too little of anything, the sampling is in step with the pulses, or the
    pressure falls at other times than the fires say it should.

    Args:
        filled: pressure of one header, its left-out scans put back [Pa, gauge].
        fires: of that header in order of time, clock offset removed.
    """
    if fires.size < 2 or is_in_step(filled.signal, fires):
        return None
    usual_s = float(np.median(np.diff(fires.low_s)))
    stack: Stack | None = None
    for _ in range(_ROUNDS):
        so_far = None if stack is None else _found(stack, usual_s)
        overlay = lay_over(filled, fires, so_far)
        if overlay is None:
            return None
        if so_far is not None:
            overlay = level_mended(overlay, so_far)
        stack = _stack(overlay, so_far)
    return None if stack is None or _contradicts(stack, usual_s) else stack


def _found(stack: Stack, usual_s: float) -> SoFar:
    """What one round hands to the next."""
    most = _MOST_DROP / max(stack.curve.drop, LEAST_DROP)
    share = np.clip(stack.share, 0.0, most)
    return SoFar(stack.curve, share, mute_fires(stack), _remnants(stack, usual_s))


def _remnants(stack: Stack, usual_s: float) -> Remnants:
    """What the pulses of each row leave, from the points in the last quarter of their time."""
    points, course = stack.overlay, stack.course
    row, n_rows = points.row_of_point, len(points.rows)
    late = (points.since_s >= _LATE * usual_s) & (points.since_s < usual_s)
    count = np.bincount(row[late], minlength=n_rows)
    total = np.bincount(row[late], points.whole[late], n_rows)
    since = np.bincount(row[late], points.since_s[late], n_rows)
    mean, at_s = total / np.maximum(count, 1), since / np.maximum(count, 1)
    fitted = stack.made * np.exp(-usual_s / stack.curve.tau_s)
    left = np.where(count >= _FEWEST_LEFT, course.after(mean, usual_s - at_s), fitted)
    return Remnants(np.where(left > 0, left, 0.0), stack.made, usual_s, course)


def _contradicts(stack: Stack, usual_s: float) -> bool:
    """Tell whether what the sound rows show in the later half of their time is no refill's end.

    Where the fires' times are wrong it grows again, or the level lies below the pressure.
    """
    (n, mean), since = stack.pooled, stack.since_s
    told = n >= _FEWEST_LATE
    later = told & (since > usual_s / 2) & (since < usual_s)
    middle = told & (since > usual_s / 4) & (since <= usual_s / 2)
    if not later.any() or not middle.any():
        return False
    least = max(_FALLS * float(mean[told].max()), LEAST_DROP)
    most = float(mean[later].max())
    falls = most > 2.0 * float(mean[middle].max()) and most > least
    return falls or float(mean[later].min()) < -least


def _stack(overlay: Overlay, so_far: SoFar | None) -> Stack:
    since, bin_of = binned(overlay.since_s)
    shape = (len(overlay.rows), since.size)
    y = overlay.y if so_far is None else _led_to(since[bin_of], overlay, so_far.curve)
    cell = overlay.row_of_point * since.size + bin_of
    count, mean = cells(cell, y, shape)
    sigma = spread(overlay.row_of_point, y - mean.reshape(-1)[cell], count)
    answered = slice(None) if so_far is None else ~so_far.mute[overlay.fire]
    of_answers = cells(cell[answered], y[answered], shape)
    left = np.bincount(overlay.line, overlay.left) / np.bincount(overlay.line)
    sound = _sound(*of_answers, left, so_far)
    used, its_mean = np.where(sound[:, None], of_answers[0], 0.0), of_answers[1]
    pooled = np.stack((used.sum(axis=0), mean_of(used, its_mean)))
    noise = float(np.sqrt(np.mean(sigma[sound] ** 2)))
    fitted = fit_header(since, pooled[0], pooled[1], noise, overlay.width_s)
    usual, belief = _usual(used, its_mean, fitted.drop * fitted.shape(since))
    whole = cells(cell[answered], overlay.whole[answered], shape)[1]
    course = course_of(since, of_answers[0], whole, sound, fitted)
    closed_s = np.maximum(since - fitted.close_s - fitted.width_s, 0.0)
    share, odd = _share(*of_answers, usual), _odd(course, closed_s, left, sound)
    made = _made(course, closed_s, of_answers[0], whole, left, share * fitted.drop, odd)
    odd = np.hypot(odd, cells(cell, overlay.error, shape)[1])
    return Stack(
        overlay=overlay,
        curve=fitted,
        since_s=since,
        count=count,
        mean=mean,
        usual=usual,
        belief=belief,
        odd=odd,
        pooled=pooled,
        sound=sound,
        share=share,
        sigma=sigma,
        course=course,
        made=made,
        usual_at_points=_at_points(overlay, since, usual),
        odd_at_points=_at_points(overlay, since, odd),
    )


def _at_points(points: Overlay, since_s: Floats, values: Floats) -> Floats:
    """What holds at each point of the overlay, of what holds of each row and bin."""
    at_points = np.empty(points.y.size)
    row = points.row_of_point
    for line in range(len(points.rows)):
        mine = row == line
        at_points[mine] = np.interp(points.since_s[mine], since_s, values[line])
    return at_points


def _sound(count: Floats, mean: Floats, left: Floats, so_far: SoFar | None) -> Flags:
    if so_far is not None:
        drop = so_far.curve.drop
        return _plain(left, sound_rows(so_far.share, drop), drop)
    of_all = np.maximum(mean_of(count, mean), 0.0)  # no curve yet: the mean of all rows
    share = _share(count, mean, np.broadcast_to(of_all, count.shape))
    return sound_rows(share, float(of_all.max()))


def _plain(left: Floats, sound: Flags, drop: float) -> Flags:
    """Sound rows that met what such rows usually meet; all sound ones where these are few."""
    usual = float(np.median(left[sound]))
    plain = sound & (np.abs(left - usual) <= DEEP * drop)
    return plain if plain.sum() >= _FEWEST_PLAIN else sound


def _odd(course: Course, closed_s: Floats, left: Floats, sound: Flags) -> Floats:
    usual = np.full(left.size, float(np.median(left[sound])))
    both = (course.after(one[:, None], closed_s[None]) for one in (left, usual))
    return _ODD_DOUBT * np.abs(np.subtract(*both))


def _made(
    course: Course,
    closed_s: Floats,
    count: Floats,
    whole: Floats,
    left: Floats,
    usual: Floats,
    odd: Floats,
) -> Floats:
    """Deficit that each row's answers make; beyond the usual only where they met an odd one."""
    made = np.clip(usual, 0.0, _MOST_DROP)
    met = odd.max(axis=1) > _ODD_DOUBT * DEEP * usual.max()
    made[met] = drops_on(course, closed_s, count[met] * (closed_s > 0), whole[met], left[met])
    return made


def _led_to(since_s: Floats, overlay: Overlay, curve: HeaderCurve) -> Floats:
    """Deficits led along the refill to their bin's mean time: rows meet a bin at other phases."""
    refilling = overlay.since_s > curve.close_s + curve.width_s
    moved = np.where(refilling, overlay.since_s - since_s, 0.0)
    led: Floats = overlay.y * np.exp(np.clip(moved / curve.tau_s, -1.0, 1.0))
    return led


def _share(count: Floats, mean: Floats, usual: Floats) -> Floats:
    s_mm = (count * usual**2).sum(axis=1)
    s_my = (count * mean * usual).sum(axis=1)
    share: Floats = np.divide(s_my, s_mm, out=np.zeros(len(count)), where=s_mm > 0)
    return share


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
