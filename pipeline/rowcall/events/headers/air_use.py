"""The air of a header: the plateau it tends to, how far pulses sag, the air they take.

The refill is first order (`recovery`), so the samples of a day, folded on the time since fire, show
the plateau that the header tends to whether or not it is reached before the next row fires. Air:
ideal gas at constant temperature, V dp / P_atm, with free air counted at the header's temperature.
A vessel emptied within a tenth of a second cools, and gives up to 29 % less than that
(1 - 1 / 1.4, a small drop of an adiabatic vessel of air).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall import trade
from rowcall.events.headers.recovery import fit_refill
from rowcall.model import Floats, Signal

_MIN_PAUSE = 3.0  # chosen: times the usual interval; a longer one begins a new bout
_MIN_IN_BOUT = 6  # pulses; chosen: the later half then has a median
_MIN_BOUTS = 3  # chosen: one first pulse alone is too noisy
_MIN_PULSES = 20  # chosen: pulses before a median of them is a fact
_CLOSED_S = 0.5  # chosen: a healthy valve has surely closed by then
_REACH_S, _BIN_S = 25.0, 0.1  # chosen: five long recoveries, and a tenth of the shortest usual one
# Samples, bins; chosen: a median forgives three wild ones, and three unknowns need as many again
_MIN_IN_BIN, _MIN_BINS = 8, 6
_MAX_LOG_ERROR = 0.2  # relative error of tau; chosen: more is no figure to compare days by
_OF_MEDIAN = 1.2533  # error of a median of normal values over that of their mean: sqrt(pi / 2)
_MAX_ON_S = 5.0  # chosen: a bit that is on for longer is no pulse
_MAX_UNEVEN = 0.1  # chosen: scatter of intervals, as a share of them, of one sequence


@dataclass(frozen=True, slots=True)
class FoldedRefill:
    """The refill that all pulses of a day show together.

    Attributes:
        tau_s: recovery constant [s].
        plateau_pa: pressure that it tends to [Pa].
        left_pa: what is missing of it when the next row fires [Pa].
        drop_pa: depth of a pulse's drop, projected back to where a healthy valve closes [Pa].
    """

    tau_s: float
    plateau_pa: float
    left_pa: float
    drop_pa: float


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


def fold_refill(
    header: Signal, fire_s: Floats, answered: npt.NDArray[np.bool_] | None = None
) -> FoldedRefill | None:
    """Fit one refill to the samples of a whole day, None where they do not show one.

    Folded on the time since the fire before, samples that come once a second show the refill in
    tenths, also where no two pulses of their own would show it. Medians, so that few silent or
    hanging rows, or hours with a slow supply, do not count.

    Args:
        header: gauge pressure [Pa].
        fire_s: every fire on it, rising [s].
        answered: False for those that are known to have made no drop; None: all may have.
    """
    if fire_s.size < _MIN_PULSES:
        return None
    interval = interval_of(fire_s)
    bins = _folded(header, fire_s, interval, answered)
    if bins.height < _MIN_BINS:
        return None
    time, level = bins["s"].to_numpy(), bins["p"].to_numpy()
    noise = float(np.median(_OF_MEDIAN * bins["sd"].to_numpy() / np.sqrt(bins["n"].to_numpy())))
    fit = fit_refill((time - time[0])[None, :], level[None, :], noise)
    tau, plateau = float(fit.tau_s[0]), float(fit.plateau_pa[0])
    if not fit.log_error[0] < _MAX_LOG_ERROR:  # nan where nothing was fitted
        return None
    depth, start = float(fit.depth_pa[0]), float(time[0])
    left = depth * math.exp(-(interval - start) / tau)
    at_closing = depth * math.exp((start - trade.VALVE_OPEN.value) / tau)
    return FoldedRefill(tau, plateau, left, at_closing - left)


def _folded(
    header: Signal, fire_s: Floats, interval: float, answered: npt.NDArray[np.bool_] | None
) -> pl.DataFrame:
    """Samples binned by the time since the fire before: number n, medians s and p, deviation sd."""
    fire = np.searchsorted(fire_s, header.time_s, side="right") - 1
    since = header.time_s - fire_s[np.maximum(fire, 0)]
    inside = (fire >= 0) & (since >= _CLOSED_S) & (since < min(interval, _REACH_S))
    if answered is not None:
        inside &= answered[np.maximum(fire, 0)]
    since, value = since[inside], header.value[inside]
    return (
        pl.DataFrame(
            {"bin": ((since - _CLOSED_S) / _BIN_S).astype(np.int64), "s": since, "p": value}
        )
        .group_by("bin")
        .agg(pl.len().alias("n"), pl.col("s", "p").median(), pl.col("p").std().alias("sd"))
        .filter(pl.col("n") >= _MIN_IN_BIN)
        .sort("bin")
    )


def pressure_at_fires(header: Signal, fire_s: Floats, refill: FoldedRefill) -> Floats:
    """Return the pressure at the instant of each fire [Pa]: the last sample, projected to it.

    Samples before a fire lie lower than what it meets, the more so the sooner rows follow each
    other. nan where there is no sample since the valve before has closed.
    """
    last = np.searchsorted(header.time_s, fire_s, side="right") - 1
    sampled = header.time_s[np.maximum(last, 0)]
    closed = np.append(-np.inf, fire_s[:-1]) + _CLOSED_S
    missing = refill.plateau_pa - header.value[np.maximum(last, 0)]
    projected = refill.plateau_pa - missing * np.exp(-(fire_s - sampled) / refill.tau_s)
    is_known = (last >= 0) & (sampled >= closed) & (fire_s - sampled < _REACH_S)
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
        if bout.size >= _MIN_IN_BOUT and np.isfinite(bout[0]) and np.isfinite(later).any():
            firsts.append(bout[0])
            sags.append(bout[0] - np.nanmedian(later))
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
