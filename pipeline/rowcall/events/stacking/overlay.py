"""Laying pulses over each other: every point of a header on the time since the fire before it.

A pulse lasts 0.1 s and its refill seconds, while a historian keeps a point every second, five or
ten. But a row is fired hundreds of times a day, each time at another phase of the sampling clock,
so the points of all its pulses together trace the curve far below the sampling period.

Every point is taken relative to the level that the supply holds, y = 1 - p / level, so that a
wandering supply drops out, and freed of what earlier pulses had not yet made good:

    y' = (y - r(u)) / (1 - R),    R the relative deficit at the fire, r what is left of it

so a row fired after a silent one is not taken for a weak one. Level, deficits and the header's
curve hang on each other; a few rounds settle them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.condition.sampling import LONGEST_BRIDGE_S
from rowcall.events.firing.recorded import Fires
from rowcall.events.stacking.baseline import is_near, level_scatter, supply_level
from rowcall.events.stacking.bins import REACH_S
from rowcall.events.stacking.decompress import Filled
from rowcall.events.stacking.types import LEAST_LEVEL_PA, Overlay, SoFar
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_AHEAD_S = 0.5  # chosen: clocks agree to that; so close before a fire a point may lie in its drop
_LATE_SHARE = 0.6  # chosen: of the time to the next fire, for a first guess at the level
_RESTED_SHARE = 0.4  # chosen: share of the points, those with the least deficit, that tell it
_FULL_S = 60.0  # a usual refill takes 3-15 s to 95 %: common practice, no source
_MOST_RESTED = 1.5  # chosen: usual drops, beyond which a row hangs
_RESTING_INTERVALS = 3.0  # chosen: points this long after a fire still tell of its supply
_MOST_DEFICIT, _MOST_LEFT = 0.95, 0.9
_SQRT_3 = 3.0**0.5  # bounds to standard deviation, anything within them being as likely
FEWEST_POINTS = 30  # chosen: fewer points do not make a stack


def lay_over(filled: Filled, fires: Fires, so_far: SoFar | None) -> Overlay | None:
    """Lay the points of a header over each other; None where there are too few.

    Args:
        filled: pressure of the header that these fires draw on [Pa, gauge].
        fires: in order of time, clock offset removed.
        so_far: what the round before found; None at first.
    """
    if fires.size < 2 or filled.signal.time_s.size < FEWEST_POINTS:
        return None
    rows, line = _rows_of(fires)
    points = _placed(filled, fires)
    model = _model(fires, points, so_far, line)
    rested = _rested(fires, points, model, so_far, line)
    if rested.sum() < FEWEST_POINTS:
        return None
    at, supply = supply_level(
        points.time_s[rested], points.pressure_pa[rested] / (1.0 - model.deficit[rested])
    )
    used = points.is_clear & is_near(points.time_s, at)
    if used.sum() < FEWEST_POINTS:
        return None
    level = np.interp(points.time_s, at, supply)
    unit = np.maximum(level, LEAST_LEVEL_PA)
    whole = (level - points.pressure_pa) / unit
    y = (whole - model.met) / (1.0 - model.left[points.fire])
    return Overlay(
        fire=points.fire[used],
        since_s=points.since_s[used],
        y=np.clip(y[used], -1.0, 1.0),
        whole=np.clip(whole[used], -1.0, 1.0),
        error=(points.error_pa / unit)[used] / _SQRT_3,
        line=line,
        rows=rows,
        before_pa=np.interp(fires.low_s, at, supply) * (1.0 - model.left),
        left=model.left,
        width_s=float(np.median(fires.high_s - fires.low_s)),
        block=np.searchsorted(at, points.time_s[used]).astype(np.int64),
        level_error=level_scatter(supply) / max(float(np.median(supply)), LEAST_LEVEL_PA),
    )


def _rows_of(fires: Fires) -> tuple[Ints, Ints]:
    """(compartment, row) of each row, shape (n_rows, 2), and the place of each fire's in them."""
    rows, line = np.unique(
        np.column_stack((fires.compartment, fires.row)), axis=0, return_inverse=True
    )
    return rows.astype(np.int64), line.reshape(-1).astype(np.int64)


@dataclass(frozen=True, slots=True)
class _Placed:
    """Points that lie soon enough after a fire to tell of it or of its supply, shape (n_points,).

    fire: the one before. is_clear: within reach, and not so close to the next fire that clocks
    which differ a little would put it behind.
    """

    fire: Ints
    since_s: Floats
    time_s: Floats
    pressure_pa: Floats
    error_pa: Floats
    is_clear: Flags


def _placed(filled: Filled, fires: Fires) -> _Placed:
    header = filled.signal
    usual_s = float(np.median(np.diff(fires.low_s)))
    fire = np.searchsorted(fires.low_s, header.time_s, side="right") - 1
    since = header.time_s - fires.low_s[np.maximum(fire, 0)]
    until = np.append(fires.low_s, np.inf)[fire + 1] - header.time_s
    near = (fire >= 0) & (since <= max(REACH_S, _RESTING_INTERVALS * usual_s))
    # A compressed tag keeps the last point before a change: of a silent row nothing but that.
    ahead_s = 0.0 if header.bridge_s > LONGEST_BRIDGE_S else _AHEAD_S
    return _Placed(
        fire=fire[near].astype(np.int64),
        since_s=since[near],
        time_s=header.time_s[near],
        pressure_pa=header.value[near],
        error_pa=filled.error_pa[near],
        is_clear=((since <= REACH_S) & (until > ahead_s))[near],
    )


def _rested(
    fires: Fires, points: _Placed, model: _Model, so_far: SoFar | None, line: Ints
) -> Flags:
    """Tell which points lie close to the level of the supply.

    Late in the time to the next fire at first, then by the least deficits after answered fires: if
    unanswered ones had a say, a header dead for half of the day would show its level then only.
    What a hanging valve leaves is not followed well enough to tell a level by, until it is gone.
    """
    fire, since_s = points.fire, points.since_s
    if so_far is None:
        interval = np.diff(fires.low_s, append=np.inf)
        until = np.minimum(interval, float(np.median(interval[:-1])))
        return np.asarray(since_s >= _LATE_SHARE * until[fire])
    most = _MOST_RESTED * so_far.curve.drop
    hung = (so_far.remnants.made[line] > most) | (model.left > most - so_far.curve.drop)
    plain = ~hung[fire] if not hung.all() else np.ones(fire.size, np.bool_)
    answered = ~so_far.mute[fire] & plain
    told = model.deficit[answered] if answered.any() else model.deficit
    low = plain & (model.deficit <= np.quantile(told, _RESTED_SHARE))
    return np.asarray(low | (since_s > _FULL_S))


@dataclass(frozen=True, slots=True)
class _Model:
    """What is thought of the points so far.

    left: relative deficit of earlier pulses at each fire; deficit, met: of each point the whole
    relative deficit and what it has of earlier pulses.
    """

    left: Floats
    deficit: Floats
    met: Floats


def _model(fires: Fires, points: _Placed, so_far: SoFar | None, line: Ints) -> _Model:
    fire, since_s = points.fire, points.since_s
    if so_far is None:
        nothing = np.zeros(since_s.size)
        return _Model(np.zeros(fires.size), nothing, nothing)
    curve, course = so_far.curve, so_far.remnants.course
    left = _left_at_fires(fires.low_s, line, so_far)
    drop = np.where(so_far.mute, 0.0, so_far.remnants.made[line])
    # Both go the header's course together, so what was left is what they make beyond the new drop.
    closed_s = np.maximum(since_s - curve.close_s - curve.width_s, 0.0)
    both = course.after((left + (1.0 - left) * drop)[fire], closed_s)
    alone = course.after(drop[fire], closed_s)
    met = np.where(left[fire] > 0, both - (1.0 - left[fire]) * alone, 0.0)
    own = np.where(closed_s > 0, alone, curve.shape(since_s) * drop[fire])
    deficit = met + (1.0 - left[fire]) * own
    return _Model(left, np.minimum(deficit, _MOST_DEFICIT), met)


def _left_at_fires(low_s: Floats, line: Ints, so_far: SoFar) -> Floats:
    """Relative deficit that earlier pulses left at each fire.

    It is what the stack of the row before ends with, so that a header refilling otherwise than
    exponentially, or emptied by a hanging valve, is followed as it is.
    """
    remnants, course = so_far.remnants, so_far.remnants.course
    gap_s, row = np.diff(low_s), line[:-1]
    made = course.after(remnants.left[row], np.maximum(gap_s - remnants.usual_s, 0.0))
    left = np.concatenate(([0.0], np.where(remnants.left[row] > 0, made, 0.0)))
    for k in np.flatnonzero(so_far.mute[:-1]):
        left[k + 1] = course.after(left[k], gap_s[k]) if left[k] > 0 else 0.0
    return np.clip(left, 0.0, _MOST_LEFT)
