"""Pulses of a thinned pressure that look unanswered because their scans were lost.

Where a thinning historian loses a scan, what is put back in its place shows no drop. A single such
pulse looks like an unanswered one that left no point; the header's pulses together do not:

- a scan is lost whatever the row, so reference rows show the share that loss explains;
- loss takes scans of answered pulses too, whose drop then first shows a scan late;
- after a pulse that changed nothing, scans go on being recorded as often as at rest.

The latter two are weighed as Poisson counts; where neither shows enough, it stays open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.events.stacking.pulse_curve import MIN_DROP
from rowcall.events.stacking.types import Stack

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_HARDLY_ANY = 0.1  # chosen: of the weight of a pulse's scans, recorded ones, that show nothing
_MAX_LOST = 0.25  # chosen: of a row's pulses; no historian in use loses more
_ERRORS = 4.0  # chosen: binomial errors to which a row may lie above the lost share
_MIN_STRETCH = 4  # pulses; chosen: by chance so many follow each other once a day
_AT_REST = 0.25  # dead-bands; chosen: a deficit that does not make scans be recorded
_SURE_BANDS = 4.0  # dead-bands; chosen: a drop recorded for sure, the band known to a factor of two
# Chosen, between what trials of two simulators show of either kind: drops that are a scan late as
# a share of the lost share, and unanswered pulses with points as a share of the others, or of what
# scans at rest have
_LATE_IF_LOST, _LATE_IF_NOT = 0.5, 0.1
_RECORDED_IF_LOST, _RECORDED_IF_NOT = 0.04, 0.4
_SURE_GAIN = 10.0  # chosen: log-likelihood ratio; the counts scatter more than Poisson's


@dataclass(frozen=True, slots=True)
class LostScans:
    """Which pulses had their scans lost, and which may have had, shape (n_fires,)."""

    is_lost: Flags
    is_in_doubt: Flags


def lost_scans(stack: Stack, is_judged: Flags, is_answered: Flags) -> LostScans:
    """Return which of the pulses that look unanswered are so because their scans were lost.

    What follows a row's last answer stays: a row that falls silent leaves no points either.
    """
    none = np.zeros(is_judged.size, np.bool_)
    unseen, shows_none = _recorded(stack)
    unseen &= is_judged & ~is_answered & ~_after_last_answer(stack.line, is_answered)
    if not unseen.any() or stack.curve.drop < MIN_DROP:
        return LostScans(none, none)
    stretch = unseen & _in_lost_stretch(stack, unseen)
    unseen &= ~stretch
    n_rows = stack.reference.size
    n_unseen = np.bincount(stack.line[unseen], minlength=n_rows)
    n_judged = np.bincount(stack.line[is_judged & ~stretch], minlength=n_rows)
    used = stack.reference & (n_judged > 0)
    share = float(np.median(n_unseen[used] / n_judged[used])) if used.any() else 0.0
    if share > _MAX_LOST:
        return LostScans(stretch, none)
    usual = n_judged * share
    is_usual = n_unseen <= usual + _ERRORS * np.sqrt(usual * (1.0 - share))
    explained = unseen & is_usual[stack.line]
    of_usual = (is_usual & stack.reference)[stack.line]
    missed = of_usual & is_judged & ~is_answered & shows_none
    gain = _late_gain(stack, share) + _rest_gain(stack, explained & of_usual, missed)
    if gain < -_SURE_GAIN:
        return LostScans(stretch, none)
    return LostScans(stretch | explained, none if gain > _SURE_GAIN else explained)


def _recorded(stack: Stack) -> tuple[Flags, Flags]:
    """Return after which fires hardly any point was recorded, and after which some show no drop."""
    points, n_fires = stack.overlay, stack.line.size
    usual, is_recorded = stack.usual_at_points, points.error == 0.0
    weight = np.bincount(points.fire, usual**2 * is_recorded, n_fires)
    hardly = weight < _HARDLY_ANY * np.bincount(points.fire, usual**2, n_fires)
    drop = np.bincount(points.fire, usual * points.y * is_recorded, n_fires)
    return np.asarray(hardly), np.asarray(~hardly & (drop < _HARDLY_ANY * weight))


def _after_last_answer(line: Ints, is_answered: Flags) -> Flags:
    place, last = np.arange(line.size), np.full(int(line.max()) + 1, -1)
    np.maximum.at(last, line[is_answered], place[is_answered])
    return np.asarray(place > last[line])


def _in_lost_stretch(stack: Stack, unseen: Flags) -> Flags:
    """Return which fires lie in a stretch without any point, over half a round of the rows.

    A header whose rows fall silent for a while still shows points at rest.
    """
    points = stack.overlay
    group = np.cumsum(np.bincount(points.fire, points.error == 0.0, unseen.size) > 0)
    is_long = np.bincount(group) - 1 >= max(_MIN_STRETCH, stack.reference.size / 2)
    return np.asarray((is_long & (np.bincount(group, unseen) >= _MIN_STRETCH))[group])


def _band(stack: Stack) -> float:
    """Dead-band as a share of the supply's level."""
    error = stack.overlay.error
    return float(np.sqrt(3.0) * np.median(error[error > 0.0]))


def _late_gain(stack: Stack, share: float) -> float:
    """Log-likelihood ratio of "lost", from drops that first show a scan late.

    Only where a drop is recorded a scan late for sure does it show.
    """
    points, curve = stack.overlay, stack.curve
    near = np.diff(points.since_s)[np.diff(points.fire) == 0]
    sure = stack.since_s[stack.pooled[1] >= _SURE_BANDS * _band(stack)]
    if not near.size or not sure.size:
        return 0.0
    step_s = float(np.median(near))
    open_s = max(curve.close_s, trade.VALVE_OPEN.value) + curve.width_s
    until_s = min(float(sure[-1]), 2.0 * step_s)
    falls = (points.error == 0.0) & (points.y > 0.5 * stack.usual_at_points)
    falls &= stack.reference[points.row_of_point]
    first_s = np.full(stack.line.size, np.inf)
    np.minimum.at(first_s, points.fire[falls], points.since_s[falls])
    late = (first_s >= open_s + step_s) & (first_s < until_s)
    timely = (first_s >= open_s) & (first_s < until_s - step_s)
    at_most = share * float((late | timely).sum())
    return _poisson_gain(int(late.sum()), _LATE_IF_LOST * at_most, _LATE_IF_NOT * at_most)


def _rest_gain(stack: Stack, unseen: Flags, is_missed: Flags) -> float:
    """Log-likelihood ratio of "lost", from pulses whose recorded points show no drop.

    Had the unseen pulses changed nothing, more of them would have such points than lost scans
    leave, and as many as scans at rest.
    """
    count, by_loss = int(is_missed.sum()), _RECORDED_IF_LOST * float((unseen | is_missed).sum())
    if count > by_loss:
        return count - by_loss - count * float(np.log(count / by_loss))
    points, weight = stack.overlay, stack.usual_at_points**2
    is_quiet = stack.usual_at_points < _AT_REST * _band(stack)
    is_quiet[1:] &= is_quiet[:-1] & (np.diff(points.fire) == 0)  # else it ends the refill
    # The last scan before a drop is recorded because of it, so the one before that is asked.
    rest = np.flatnonzero(np.diff(points.fire))[1:] - 1
    rest = rest[is_quiet[rest]]
    if not rest.size:
        return 0.0
    not_recorded = float(np.mean(points.error[rest] > 0.0))
    is_near = weight >= _HARDLY_ANY * np.bincount(points.fire, weight)[points.fire]
    n_scans = np.bincount(points.fire[is_near], minlength=unseen.size)[unseen | is_missed]
    recorded = float((1.0 - not_recorded**n_scans).sum())
    return _poisson_gain(count, _RECORDED_IF_LOST * recorded, _RECORDED_IF_NOT * recorded)


def _poisson_gain(count: int, one: float, other: float) -> float:
    """Log-likelihood ratio of a count under one mean and another; 0 where nothing is expected."""
    return count * float(np.log(one / other)) + other - one if other > 0.0 else 0.0
