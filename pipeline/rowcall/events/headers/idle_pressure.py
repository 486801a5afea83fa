"""The pressure of a header while nothing fires for long.

With the supply feeding, it stands at its plateau, and a leak shows as a lower plateau only. With
the supply shut, it keeps its pressure, or loses it through a leak. Air leaving through a hole is
choked while

    P_atm / P <= (2 / (k + 1))^(k / (k - 1)) = 0.528    (air, k = 1.4)

(isentropic nozzle flow, NACA report 1135), that is above 0.905 bar gauge at a standard atmosphere.
There the outflow of a vessel at constant temperature is proportional to its absolute pressure,

    P(t) = P0 exp(-t / tau),

and the free air lost is V (-dP/dt) / P_atm at any instant (ideal gas). Below it less flows than
that, so nothing below it is fitted: of a header that starts from 1.73 bar gauge or more it is the
first 30 % of absolute pressure, of one that starts lower, what lies above 0.905 bar.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from rowcall import trade
from rowcall.model import Floats, Signal

_SETTLE_S = 30.0  # chosen: twice the longest usual recovery
_MIN_REST_S = 60.0  # chosen: shorter rests show a plateau at best
_MIN_FALL = 0.15  # chosen: of gauge pressure; a supply that only sags falls less
_MAX_FALL = 0.30  # chosen: of absolute pressure; later a supply may leak in, or a rest may end
_K_AIR = 1.4  # ratio of specific heats of dry air: isentropic flow tables, NACA report 1135
_CRITICAL_RATIO = (2.0 / (_K_AIR + 1.0)) ** (_K_AIR / (_K_AIR - 1.0))  # 0.52828 [-]
_CHOKED_PA = trade.ATMOSPHERE.value / _CRITICAL_RATIO  # absolute; below it a hole is not choked
_FULL_WITHIN = 0.02  # chosen: of gauge pressure within which the header still stands full
_MIN_POINTS = 4  # points; chosen: two unknowns and two degrees of freedom
_MIN_EXPLAINED = 0.95  # chosen: share of the variance that the decay explains
_MAX_SHARED = 1.0 / 3.0  # chosen: of the fall; another header that fell by more fell with it


@dataclass(frozen=True, slots=True)
class Decay:
    """Loss of pressure while nothing fires.

    Attributes:
        start_s, end_s: the span fitted [s since the day began].
        tau_s: time constant of the absolute pressure [s].
        loss_pa_s: -dP/dt at the pressure it started from [Pa/s].
    """

    start_s: float
    end_s: float
    tau_s: float
    loss_pa_s: float


def find_rests(fire_s: Floats, first_s: float, last_s: float) -> list[tuple[float, float]]:
    """Return the spans without fires, less the refill at their begin [s].

    Args:
        fire_s: every fire on the header, rising [s].
        first_s, last_s: what the header's samples span [s].
    """
    begins = np.concatenate(([first_s], fire_s)) + _SETTLE_S
    ends = np.append(fire_s, last_s)
    return [
        (float(begin), float(end))
        for begin, end in zip(begins, ends, strict=True)
        if end - begin >= _MIN_REST_S
    ]


def find_decay(header: Signal, rest: tuple[float, float]) -> Decay | None:
    """Return the loss of pressure within a rest, None where it keeps its pressure.

    None too where the header stands so low that no hole is choked: less than 0.905 bar gauge.

    Args:
        header: gauge pressure [Pa].
        rest: a span without fires [s].
    """
    begin, end = np.searchsorted(header.time_s, rest)
    time, gauge = header.time_s[begin:end], header.value[begin:end]
    if time.size < _MIN_POINTS:
        return None
    if gauge.min() >= (1 - _MIN_FALL) * gauge.max():  # most rests: no need to sort their points
        return None
    top = float(np.quantile(gauge, 0.9))
    low = np.flatnonzero(gauge < (1 - _MIN_FALL) * top)
    if top <= 0 or not low.size:
        return None
    full = np.flatnonzero(gauge[: low[0]] >= (1 - _FULL_WITHIN) * top)
    if not full.size:
        return None
    start = int(full[-1])
    absolute = gauge + trade.ATMOSPHERE.value
    lowest = max((1 - _MAX_FALL) * absolute[start], _CHOKED_PA)
    deep = np.flatnonzero(absolute[start:] < lowest)
    stop = start + int(deep[0]) if deep.size else time.size
    return _fitted(time[start:stop], absolute[start:stop])


def has_supply(decay: Decay, header: Signal, others: Iterable[Signal]) -> bool:
    """Tell whether another header still stood, or came back, as high late in a decay as before it.

    Args:
        header, others: gauge pressures [Pa]; others hang on the same supply.
    """
    first, last = np.interp((decay.start_s, decay.end_s), header.time_s, header.value).tolist()
    middle_s = (decay.start_s + decay.end_s) / 2.0
    least = 1.0 - _MAX_SHARED * (1.0 - last / first)
    for other in others:
        before = _highest(other, 2.0 * decay.start_s - decay.end_s, decay.start_s)
        if _highest(other, middle_s, decay.end_s) >= least * before > 0.0:
            return True
    return False


def _highest(header: Signal, from_s: float, to_s: float) -> float:
    """Highest value that stands between two instants; 0 where none is known."""
    begin, end = np.searchsorted(header.time_s, (from_s, to_s), side="right")
    values = header.value[max(begin - 1, 0) : end]
    is_known = values.size and header.time_s[0] <= to_s and header.time_s[-1] >= from_s
    return float(values.max()) if is_known else 0.0


def _fitted(time_s: Floats, absolute_pa: Floats) -> Decay | None:
    """Fit ln P against time."""
    if time_s.size < _MIN_POINTS:
        return None
    logs = np.log(absolute_pa)
    slope, offset = np.polyfit(time_s - time_s[0], logs, 1)
    rest = logs - (offset + slope * (time_s - time_s[0]))
    if slope >= 0 or float(rest.var()) > (1 - _MIN_EXPLAINED) * float(logs.var()):
        return None
    return Decay(
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        tau_s=-1.0 / float(slope),
        loss_pa_s=-float(slope) * math.exp(float(offset)),
    )
