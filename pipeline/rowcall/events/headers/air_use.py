"""The air that pulses take, and how far they pull the pressure of their header down.

Air: ideal gas at constant temperature, V dp / P_atm, with free air counted at the header's
temperature. A vessel emptied within a tenth of a second cools, and gives up to 29 % less than that
(1 - 1 / 1.4, a small drop of an adiabatic vessel of air).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.condition.quantiles import median
from rowcall.model import Floats, Signal

_MIN_PAUSE = 3.0  # chosen: times the usual interval; a longer one begins a new bout
_MIN_IN_BOUT = 6  # pulses; chosen: the later half then has a median
_MIN_BOUTS = 3  # chosen: one first pulse alone is too noisy
_MIN_PULSES = 20  # chosen: pulses before a median of them is a fact
_CLOSED_S = 0.5  # chosen: a healthy valve has surely closed by then
_REACH_S = 25.0  # chosen: five long recoveries
_MAX_ON_S = 5.0  # chosen: a bit that is on for longer is no pulse
_MAX_UNEVEN = 0.1  # chosen: scatter of intervals, as a share of them, of one sequence


@dataclass(frozen=True, slots=True)
class Sag:
    """Pressure before the first pulses of bouts [Pa], and how much lower the later ones start."""

    first_pa: float
    sag_pa: float
    n_bouts: int


def free_air(volume_m3: float, drop_pa: float) -> float:
    """Return the free air that a vessel gives for a drop of pressure, isothermal [m3]."""
    return volume_m3 * drop_pa / trade.ATMOSPHERE.value


def interval_of(fire_s: Floats) -> float:
    """Return the time between fires that follow each other [s], nan for fewer than two."""
    return float(np.median(np.diff(fire_s))) if fire_s.size > 1 else math.nan


def row_interval(fire_s: Floats, compartment: npt.NDArray[np.int64]) -> float:
    """Return the time from row to row of the controller, to compare with its setting [s].

    One sequence that takes compartments in turn is even over all fires; of controllers side by
    side, each compartment is even by itself. nan where there are fewer than two fires.
    """
    own = [interval_of(fire_s[compartment == c]) for c in np.unique(compartment)]
    known = [one for one in own if math.isfinite(one)]
    if not known:
        return math.nan
    gaps = np.diff(fire_s)
    middle = float(np.median(gaps))
    # Of two controllers side by side, half of the gaps may be alike; three quarters are not.
    is_one = float(np.quantile(np.abs(gaps - middle), 0.75)) <= _MAX_UNEVEN * middle
    return middle if is_one else float(np.median(known))


def pressure_at_fires(header: Signal, fire_s: Floats, *, tau_s: float, plateau_pa: float) -> Floats:
    """Return the pressure at the instant of each fire [Pa]: the last sample, projected to it.

    Samples before a fire lie lower than what it meets, the more so the sooner rows follow each
    other. nan where there is no sample since the valve before has closed.
    """
    last = np.searchsorted(header.time_s, fire_s, side="right") - 1
    sampled = header.time_s[np.maximum(last, 0)]
    closed = np.append(-np.inf, fire_s[:-1]) + _CLOSED_S
    missing = plateau_pa - header.value[np.maximum(last, 0)]
    since = np.maximum(fire_s - sampled, 0.0)
    projected = plateau_pa - missing * np.exp(-since / tau_s)
    is_known = (last >= 0) & (sampled >= closed) & (since < _REACH_S)
    return np.where(is_known, projected, np.nan)


def sag_of(fire_s: Floats, before_pa: Floats) -> Sag | None:
    """Return how far the pressure before pulses sags along a bout, None with too few bouts.

    Args:
        fire_s, before_pa: every fire of the header in order of time, shape (n,).
    """
    if fire_s.size < _MIN_PULSES:
        return None
    gaps = np.diff(fire_s)
    starts = (
        np.flatnonzero(gaps > _MIN_PAUSE * np.median(gaps)) + 1
    )  # what midnight cut is left out
    firsts, sags = [], []
    for bout in np.split(before_pa, starts)[1:]:
        later = bout[bout.size // 2 :]
        known = later[np.isfinite(later)]
        if bout.size >= _MIN_IN_BOUT and np.isfinite(bout[0]) and known.size:
            firsts.append(bout[0])
            sags.append(bout[0] - median(known))
    if len(sags) < _MIN_BOUTS:
        return None
    return Sag(float(np.median(firsts)), float(np.median(sags)), len(sags))


def on_times(bit: Signal) -> Floats:
    """Return how long a bit that is recorded on change was on, each time [s]."""
    is_on = bit.value > 0.5
    rises = np.flatnonzero(is_on[1:] & ~is_on[:-1]) + 1
    falls = np.flatnonzero(~is_on[1:] & is_on[:-1]) + 1
    after = np.searchsorted(falls, rises)
    whole = after < falls.size
    lasted = bit.time_s[falls[after[whole]]] - bit.time_s[rises[whole]]
    return np.asarray(lasted[lasted <= _MAX_ON_S])
