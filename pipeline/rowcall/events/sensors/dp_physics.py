"""DP of running gas against what moves it, and DP at rest, where it must be about 0."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from rowcall.condition.state import Mask
from rowcall.events.noise import median_bend_noise
from rowcall.model import Floats

_SWING_MIN = 10  # chosen: minutes apart: cake and load move in them, a clogged line hardly
_FOLLOW_MIN = 30  # chosen: minutes apart in which a load swing outweighs a cleaning
_MIN_RUN_MIN = 120  # chosen: less shows no habit
_SETTLE_MIN = 10  # chosen: gas that a fan has moved stands still by then
_MIN_REST_MIN = 10  # chosen: a mean of so long is free of gusts
_ALIVE = 0.5  # [-] chosen: DP that scatters by so much of what it does while running is of gas


class Follows(NamedTuple):
    """Relative change of DP over that of flow [-], and its standard error."""

    gain: float
    error: float


def swing(dp: Floats, is_running: Mask) -> float:
    """Return the median change of DP over ten minutes of running gas [Pa], nan of too few.

    dp: by minute [Pa].
    """
    change = _changes(dp, is_running, _SWING_MIN)
    return float(np.median(np.abs(change))) if change.size >= _MIN_RUN_MIN else math.nan


def follows_flow(dp: Floats, flow: Floats, is_running: Mask) -> Follows:
    """Return how DP follows flow within half an hours, by least squares.

    dp, flow: by minute [Pa], [m3/s]. Changes that overlap are not independent: their number is
    that of whole half hours.
    """
    both = is_running & np.isfinite(dp) & np.isfinite(flow)
    if both.sum() < _MIN_RUN_MIN:
        return Follows(math.nan, math.nan)
    level, usual = float(np.median(np.abs(dp[both]))), float(np.median(flow[both]))
    if level <= 0 or usual <= 0:
        return Follows(math.nan, math.nan)
    x = _changes(flow, both, _FOLLOW_MIN) / usual
    y = _changes(dp, both, _FOLLOW_MIN) / level
    power = float(x @ x)
    if x.size < _MIN_RUN_MIN or power <= 0:
        return Follows(math.nan, math.nan)
    gain = float(x @ y) / power
    left = y - gain * x
    return Follows(gain, math.sqrt(float(left @ left) / x.size * _FOLLOW_MIN / power))


def at_rest(dp: Floats, is_still: Mask, is_running: Mask) -> float:
    """Return DP while the gas stands still [Pa], nan where it never does for long enough.

    Nan too where DP then scatters as in running gas: what says that gas stands is wrong.

    Args:
        dp, is_still, is_running: by minute.
    """
    settled = is_still.copy()
    for n in range(1, _SETTLE_MIN + 1):
        settled[n:] &= is_still[:-n]
    settled[:-2] &= is_still[2:]  # a fan that comes on within the minutes after
    settled &= np.isfinite(dp)
    running = is_running & np.isfinite(dp)
    if settled.sum() < _MIN_REST_MIN:
        return math.nan
    if running.sum() >= _MIN_RUN_MIN and scatter(dp, settled) > _ALIVE * scatter(dp, running):
        return math.nan
    return float(np.median(dp[settled]))


def scatter(dp: Floats, where: Mask) -> float:
    """Return the noise of minute means [Pa], nan of too few; `where`: which of them count."""
    bends = np.diff(dp, 2)[where[2:] & where[1:-1] & where[:-2]]
    return median_bend_noise(bends) if bends.size else math.nan


def _changes(value: Floats, is_known: Mask, apart: int) -> Floats:
    both = is_known[apart:] & is_known[:-apart]
    change: Floats = (value[apart:] - value[:-apart])[both]
    return change[np.isfinite(change)]
