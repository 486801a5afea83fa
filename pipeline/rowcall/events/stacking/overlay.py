"""Pulses stacked: every point of a header on the time since the fire before it.

A pulse lasts 0.1 s and its refill seconds, while a historian stores a point every second, five or
ten. But a row is fired hundreds of times a day, each time at another phase of the sampling clock,
so the points of all its pulses together trace the curve far below the sampling period.

Every point is taken relative to the level that the supply holds, y = 1 - p / level, so that a
wandering supply drops out, and corrected for what had not yet recovered since earlier pulses:

    y' = (y - r(u)) / (1 - R),    R the relative deficit at the fire, r what is left of it

so a row fired after a silent one is not taken for a weak one. Level, deficits and the header's
curve depend on each other; a few rounds settle them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.condition.quantiles import quantile
from rowcall.condition.sampling import LONGEST_BRIDGE_S
from rowcall.events.firing.recorded import Fires
from rowcall.events.passed import passed
from rowcall.events.stacking.baseline import is_near, level_scatter, supply_level
from rowcall.events.stacking.bins import REACH_S
from rowcall.events.stacking.decompress import Filled
from rowcall.events.stacking.types import MIN_LEVEL_PA, Overlay, PreviousRound
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_AHEAD_S = 0.5  # chosen: clocks agree to that; so close before a fire a point may lie in its drop
_LATE_SHARE = 0.6  # chosen: of the time to the next fire, for a first guess at the level
# Chosen: share of the points, those with the least deficit, that show the level
_RESTED_SHARE = 0.4
# Chosen: four times the longest usual refill, 15 s to 95 % (common practice, no source)
_FULL_S = 60.0
_MAX_RESTED = 1.5  # chosen: usual drops, beyond which a row hangs
_RESTING_INTERVALS = 3.0  # chosen: points this long after a fire still show its supply
_CLEAR_FALL = 2.0  # dead-bands; chosen: the error put back is known to a factor of two
# Relative; chosen: no header is emptied further, and what divides by the rest stays bounded
_MAX_DEFICIT, _MAX_LEFT = 0.95, 0.9
_SQRT_3 = 3.0**0.5  # bounds to standard deviation, anything within them being as likely
MIN_POINTS = 30  # chosen: fewer points do not make a stack


def stack_points(points: Points, fires: Fires, previous: PreviousRound | None) -> Overlay | None:
    """Stack the points of a header on the time since fire; None where there are too few.

    Args:
        points: of the pressure of the header of these fires.
        fires: in order of time, clock offset removed.
        previous: what the round before found; None at first.
    """
    line = points.line
    deficits = _deficits_of(fires, points, previous, line)
    rested = _rested(fires, points, deficits, previous, line)
    if rested.sum() < MIN_POINTS:
        return None
    at, supply = supply_level(
        points.time_s[rested], points.pressure_pa[rested] / (1.0 - deficits.deficit[rested])
    )
    used = points.is_clear & is_near(points.time_s, at)
    if used.sum() < MIN_POINTS:
        return None
    level = np.interp(points.time_s, at, supply)
    unit = np.maximum(level, MIN_LEVEL_PA)
    total_deficit = (level - points.pressure_pa) / unit
    y = (total_deficit - deficits.earlier) / (1.0 - deficits.left[points.fire])
    return Overlay(
        fire=points.fire[used],
        since_s=points.since_s[used],
        y=np.clip(y[used], -1.0, 1.0),
        total_deficit=np.clip(total_deficit[used], -1.0, 1.0),
        error=(points.error_pa / unit)[used] / _SQRT_3,
        is_held=points.is_held,
        line=line,
        rows=points.rows,
        before_pa=np.interp(fires.low_s, at, supply) * (1.0 - deficits.left),
        left=deficits.left,
        width_s=float(np.median(fires.high_s - fires.low_s)),
        block=np.searchsorted(at, points.time_s[used]).astype(np.int64),
        level_error=level_scatter(supply) / max(float(np.median(supply)), MIN_LEVEL_PA),
    )


@dataclass(frozen=True, slots=True)
class Points:
    """Points that lie soon enough after a fire to show it or its supply, shape (n_points,).

    fire: the one before. is_clear: within reach, and not so close to the next fire that clocks
    which differ a little would put it behind. is_held: as of `Filled`. rows, line: as of
    `Fires.by_row`.
    """

    fire: Ints
    since_s: Floats
    time_s: Floats
    pressure_pa: Floats
    error_pa: Floats
    is_held: bool
    is_clear: Flags
    rows: Ints
    line: Ints


def points_of(filled: Filled, fires: Fires) -> Points:
    """Return the points of a pressure, its left-out scans put back; of two fires or more."""
    header, (rows, line) = filled.signal, fires.by_row()
    usual_s = float(np.median(np.diff(fires.low_s)))
    fire = passed(header.time_s, fires.low_s) - 1
    since = header.time_s - fires.low_s[np.maximum(fire, 0)]
    until = np.append(fires.low_s, np.inf)[fire + 1] - header.time_s
    near = (fire >= 0) & (since <= max(REACH_S, _RESTING_INTERVALS * usual_s))
    near &= _is_known(filled, fire)
    # A thinned tag keeps the last point before a change: of a silent row nothing but that.
    ahead_s = 0.0 if header.bridge_s > LONGEST_BRIDGE_S else _AHEAD_S
    return Points(
        fire=fire[near].astype(np.int64),
        since_s=since[near],
        time_s=header.time_s[near],
        pressure_pa=header.value[near],
        error_pa=filled.error_pa[near],
        is_held=filled.is_held,
        is_clear=((since <= REACH_S) & (until > ahead_s))[near],
        rows=rows,
        line=line,
    )


def _is_known(filled: Filled, fire: Ints) -> Flags:
    """Return which points are no scan put back well above the first one recorded after its fire.

    No historian leaves out the scan that falls: it was lost, and what is put back there is wrong.
    """
    pressure, error = filled.signal.value, filled.error_pa
    put_back, recorded = np.flatnonzero(error > 0.0), np.flatnonzero(error == 0.0)
    place = np.searchsorted(recorded, put_back)
    before, after = recorded[place - 1], recorded[place]
    is_first = (fire[after] == fire[put_back]) & (fire[before] != fire[put_back])
    falls = pressure[after] < pressure[put_back] - _CLEAR_FALL * error[put_back]
    is_known = np.ones(fire.size, np.bool_)
    is_known[put_back[is_first & falls]] = False
    return is_known


def _rested(
    fires: Fires, points: Points, deficits: _Deficits, previous: PreviousRound | None, line: Ints
) -> Flags:
    """Return which points lie close to the level of the supply.

    Late in the time to the next fire at first, then by the least deficits after answered fires: if
    unanswered ones counted, a header dead for half of the day would show its level then only.
    What a hanging valve leaves is not followed well enough to read a level from, until it is gone.
    """
    fire, since_s = points.fire, points.since_s
    if previous is None:
        interval = np.diff(fires.low_s, append=np.inf)
        until = np.minimum(interval, float(np.median(interval[:-1])))
        return np.asarray(since_s >= _LATE_SHARE * until[fire])
    max_drop = _MAX_RESTED * previous.curve.drop
    is_hanging = (previous.carryover.row_drop[line] > max_drop) | (
        deficits.left > max_drop - previous.curve.drop
    )
    is_usable = ~is_hanging[fire] if not is_hanging.all() else np.ones(fire.size, np.bool_)
    answered = ~previous.unanswered[fire] & is_usable
    known = deficits.deficit[answered] if answered.any() else deficits.deficit
    low = is_usable & (deficits.deficit <= quantile(known, _RESTED_SHARE))
    return np.asarray(low | (since_s > _FULL_S))


@dataclass(frozen=True, slots=True)
class _Deficits:
    """What the round before gives for the points.

    left: relative deficit of earlier pulses at each fire; deficit, earlier: of each point the whole
    relative deficit and what it has of earlier pulses.
    """

    left: Floats
    deficit: Floats
    earlier: Floats


def _deficits_of(
    fires: Fires, points: Points, previous: PreviousRound | None, line: Ints
) -> _Deficits:
    fire, since_s = points.fire, points.since_s
    if previous is None:
        nothing = np.zeros(since_s.size)
        return _Deficits(np.zeros(fires.size), nothing, nothing)
    curve, path = previous.curve, previous.carryover.path
    left = _left_at_fires(fires.low_s, line, previous)
    drop = np.where(previous.unanswered, 0.0, previous.carryover.row_drop[line])
    # Both go the header's path together, so what was left is what they make beyond the new drop.
    closed_s = np.maximum(since_s - curve.close_s - curve.width_s, 0.0)
    both = path.after((left + (1.0 - left) * drop)[fire], closed_s)
    alone = path.after(drop[fire], closed_s)
    earlier = np.where(left[fire] > 0, both - (1.0 - left[fire]) * alone, 0.0)
    own = np.where(closed_s > 0, alone, curve.shape(since_s) * drop[fire])
    deficit = earlier + (1.0 - left[fire]) * own
    return _Deficits(left, np.minimum(deficit, _MAX_DEFICIT), earlier)


def _left_at_fires(low_s: Floats, line: Ints, previous: PreviousRound) -> Floats:
    """Relative deficit that earlier pulses left at each fire.

    It is what the stack of the row before ends with, so that a header refilling otherwise than
    exponentially, or emptied by a hanging valve, is followed as it is.
    """
    carryover, path = previous.carryover, previous.carryover.path
    gap_s, row = np.diff(low_s), line[:-1]
    later = path.after(carryover.left[row], np.maximum(gap_s - carryover.usual_s, 0.0))
    left = np.concatenate(([0.0], np.where(carryover.left[row] > 0, later, 0.0)))
    unanswered = np.flatnonzero(previous.unanswered[:-1])
    number = np.arange(unanswered.size)
    is_first = np.diff(unanswered, prepend=-2) > 1
    nth = number - np.maximum.accumulate(np.where(is_first, number, 0))
    for n in range(int(nth.max(initial=-1)) + 1):  # one after another meet what the first one met
        k = unanswered[nth == n]
        left[k + 1] = np.where(left[k] > 0, path.after(left[k], gap_s[k]), 0.0)
    return np.clip(left, 0.0, _MAX_LEFT)
