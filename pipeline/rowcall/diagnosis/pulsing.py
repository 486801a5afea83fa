"""When rows were pulsed, beside the state of the unit: what the rules on cleaning share."""

from __future__ import annotations

import numpy as np

from rowcall.condition.minutes import shared_signal
from rowcall.condition.state import Mask, State, runs
from rowcall.events.cycles import PAUSE_INTERVALS
from rowcall.events.filter.set_points import start_set_point
from rowcall.model import BaghouseDay, Floats
from rowcall.site import Role

_MIN_PAUSES = 5  # chosen: as many bouts as a set point takes
_SAME_DP = 0.02  # [-] chosen: a controller that goes by DP starts within so much of one level
_SAME_PAUSE = 0.03  # [-] chosen: a timer's pauses scatter less, the dust's more


def rests(day: BaghouseDay) -> Floats:
    """Return begin and end of each time without a pulse, shape (2, n) [s].

    As long as it takes to end a bout of cleaning; those at the ends of the day count from its begin
    and to its end.
    """
    edges = np.concatenate(([0.0], np.sort(day.pulses["time_s"].to_numpy()), [day.seconds]))
    gaps = np.diff(edges)
    usual = float(np.median(gaps[1:-1])) if gaps.size > 2 else 0.0
    cut = np.flatnonzero(gaps > PAUSE_INTERVALS * max(day.baghouse.cleaning.interval, usual))
    return np.stack((edges[cut], edges[cut + 1]))


def minutes_at_rest(day: BaghouseDay) -> tuple[Mask, Mask]:
    """Return the minutes that lie wholly in a rest, and those that a rest touches, (n_minutes,)."""
    inside, touched = (np.zeros(day.minutes.height, np.bool_) for _ in range(2))
    for begin, end in rests(day).T / 60:
        inside[int(np.ceil(begin)) : int(end)] = True
        touched[int(begin) : int(np.ceil(end))] = True
    return inside, touched


def minutes_in(day: BaghouseDay, state: State) -> Mask:
    """Return the minutes in which the unit was in a state, shape (n_minutes,)."""
    return (day.minutes["state"] == state.value).fill_null(value=False).to_numpy()


def minute_dp(day: BaghouseDay) -> Floats:
    """Return DP minute by minute, nan where it is not known, shape (n_minutes,) [Pa]."""
    if "dp_pa" not in day.minutes.columns:
        return np.full(day.minutes.height, np.nan)
    return day.minutes["dp_pa"].fill_null(float("nan")).to_numpy()


def longest(mask: Mask) -> tuple[int, int]:
    """Return the longest run of minutes as [begin, end), (0, 0) without one."""
    return max(runs(mask), key=lambda run: run[1] - run[0], default=(0, 0))


def goes_by_dp(day: BaghouseDay) -> float:
    """Return the DP at which each bout of pulses starts [Pa], nan where they start otherwise.

    A timer that pauses between passes starts them at any DP, or after pauses of one length.
    """
    dp, level = shared_signal(day.signals, Role.DP), minute_dp(day)
    begin, end = rests(day)
    is_inner = (begin > 0) & (end < day.seconds)
    is_inner[is_inner] = minutes_in(day, State.RUNNING)[(end[is_inner] // 60).astype(np.intp)]
    begin, end = begin[is_inner], end[is_inner]
    if dp is None or begin.size < _MIN_PAUSES:
        return float("nan")
    start = start_set_point(dp, end)
    scatter = start.error_pa * np.sqrt(end.size)
    after = level[np.minimum(begin // 60 + 1, level.size - 1).astype(np.intp)]
    fall = start.pa - float(np.nanmedian(after)) if np.isfinite(after).any() else 0.0
    pause = float(np.median(end - begin))
    varies = float(np.median(np.abs(end - begin - pause))) > _SAME_PAUSE * pause
    is_level = scatter <= min(_SAME_DP * start.pa, fall / 3)
    return start.pa if varies and is_level else float("nan")
