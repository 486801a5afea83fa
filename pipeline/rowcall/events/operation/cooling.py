"""How much the gas cools between inlet and outlet, against the air around.

A casing that loses heat cools gas towards the ambient temperature T_a, and air that leaks in mixes
with it. With the heat transfer UA, the heat capacity of the flow m c and the leaked share l

    T_out - T_a = (T_in - T_a) exp(-UA / (m c)) / (1 + l),

so ln((T_in - T_a) / (T_out - T_a)) = UA / (m c) + ln(1 + l): one part goes with 1 / flow, the other
is the leak. Capacities of gas and air count as equal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rowcall.condition.minutes import minute_means
from rowcall.condition.state import runs
from rowcall.events.noise import median_deviation
from rowcall.events.operation.gas_seconds import Mask, Signals
from rowcall.model import Floats
from rowcall.site import Role

_MIN_HOURS = 6  # chosen: of a day; loads differ from hour to hour
_MIN_ABOVE_K = 30.0  # chosen: of the gas above ambient; less makes the ratio of noise
_MAX_WANDER_K = 15.0  # chosen: of inlet in an hour; the outlet lags by minutes
_MIN_STOOD = 240  # [min] chosen: by then a thermocouple may show the air around
_LEVEL_K = 1.0  # chosen: and falls by no more in the last hour
_MEDIAN = 1.2533  # standard error of a median over that of a mean, normal scatter


@dataclass(frozen=True, slots=True)
class Cooling:
    """Median of the logarithm over hours, its standard error, and the mean flow of them [m3/s]."""

    log: float
    error: float
    flow_m3_s: float


def cooling(signals: Signals, flow: Floats | None, running: Mask) -> Cooling | None:
    """Return the cooling of a day, None where a temperature or the flow is not known.

    flow: by minute, shape (n,), nan unknown; running: minutes in operation, shape (n,).
    """
    inlet, outlet = (
        _mean_of(signals, role, running.size)
        for role in (Role.INLET_TEMPERATURE, Role.OUTLET_TEMPERATURE)
    )
    if inlet is None or outlet is None or flow is None:
        return None
    ambient = _ambient(signals, (inlet, outlet), running)
    known = running & np.isfinite(inlet) & np.isfinite(outlet) & (flow > 0) & np.isfinite(ambient)
    n = running.size // 60
    whole = known[: 60 * n].reshape(n, 60).all(axis=1)
    hours = [one[: 60 * n].reshape(n, 60)[whole] for one in (inlet, outlet, ambient, flow)]
    t_in, t_out, t_a = (one.mean(axis=1) for one in hours[:3])
    is_steady = (np.ptp(hours[0], axis=1) <= _MAX_WANDER_K) & (t_out - t_a >= _MIN_ABOVE_K)
    is_steady &= t_in - t_a >= _MIN_ABOVE_K
    if is_steady.sum() < _MIN_HOURS:
        return None
    log = np.log((t_in - t_a)[is_steady] / (t_out - t_a)[is_steady])
    error = _MEDIAN * median_deviation(log) / math.sqrt(log.size)
    per_flow = float((1 / hours[3][is_steady]).mean())
    return Cooling(float(np.median(log)), error, 1 / per_flow)


def _mean_of(signals: Signals, role: Role, n: int) -> Floats | None:
    """Mean of all tags of a role by minute, None without one."""
    each = [minute_means(one, n) for place, one in signals.items() if place[0] is role]
    mean: Floats | None = np.mean(each, axis=0) if each else None
    return mean


def _ambient(signals: Signals, gas: tuple[Floats, Floats], running: Mask) -> Floats:
    """Ambient temperature by minute: of its tag, else what the gas's tags fell to at a halt."""
    tag = _mean_of(signals, Role.AMBIENT_TEMPERATURE, running.size)
    if tag is not None:
        return tag
    coldest = math.nan
    for begin, end in runs(~running):
        for level in (one[begin:end][np.isfinite(one[begin:end])] for one in gas):
            if level.size >= _MIN_STOOD:
                before, last = (float(np.median(part)) for part in (level[-90:-60], level[-30:]))
                coldest = np.fmin(coldest, last if before - last <= _LEVEL_K else math.nan)
    return np.full(running.size, coldest)
