"""Gas hotter than a limit: for how long, by how much, and whether a spike can be gas at all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rowcall.events.operation.gas_seconds import Mask
from rowcall.model import Floats, Signal

_R_KJ = 8.314462618e-3  # [kJ/(mol K)] exact since 2019 (SI)
_KELVIN = 273.15
_AROUND_S = 30.0  # chosen: two thermocouples in one gas follow it within so long
_FOLLOWS = 0.2  # chosen: share of a spike that another one shows at least, being slower
_SLACK = 0.1  # chosen: share of a spike, for noise of a transmitter


@dataclass(frozen=True, slots=True)
class Excess:
    """Time spent above a limit: seconds, degree-minutes [K.min], first and last second."""

    seconds: float
    degree_minutes: float
    first_s: float
    last_s: float


def excess(signal: Signal, limit_c: float, day_s: float) -> Excess:
    """Return the time that a temperature signal (Cel) spent above a limit within the day.

    Every sample holds until the next one, across no gap; one from before the day counts from its
    start on.
    """
    time_s, hold = _held(signal, day_s)
    above = signal.value > limit_c
    if not above.any():
        return Excess(0.0, 0.0, 0.0, 0.0)
    over = time_s[above]
    dose = float(((signal.value[above] - limit_c) * hold[above]).sum()) / 60.0
    return Excess(float(hold[above].sum()), dose, float(over[0]), float(over[-1] + hold[above][-1]))


def hours_at_limit(signal: Signal, limit_c: float, energy_kj_mol: float, day_s: float) -> float:
    """Return the hours at a limit that age the media as much as a day's temperatures (Cel).

    Arrhenius: the rate at T over that at the limit is exp(E / R (1 / T_limit - 1 / T)).
    """
    _, hold = _held(signal, day_s)
    inverse = 1 / (limit_c + _KELVIN) - 1 / (signal.value + _KELVIN)
    return float((np.exp(energy_kj_mol / _R_KJ * inverse) * hold).sum()) / 3600.0


def _held(signal: Signal, day_s: float) -> tuple[Floats, Floats]:
    """From when on and for how long each sample holds within the day [s], shape (n,)."""
    ends_s = np.minimum(np.append(signal.time_s[1:], day_s), signal.time_s + signal.longest_hold_s)
    time_s = np.maximum(signal.time_s, 0.0)
    return time_s, np.clip(ends_s - time_s, 0.0, None)


def sensor_spikes(
    signal: Signal,
    limit_c: float,
    *,
    max_s: float,
    min_k: float,
    tau_s: float,
    other: Signal | None = None,
) -> Mask:
    """Return which points of a temperature (Cel) are spikes that no gas can have made, shape (n,).

    Gas that is cold again leaves a thermocouple hot: it falls by at most 1 - exp(-dt / tau) of its
    spike between two points. Where another thermocouple is in the same gas, that one decides.

    Args:
        limit_c: a spike is above it.
        max_s: a longer one is none.
        min_k: nor is a lower one.
        tau_s: time constant of the fastest thermocouple in use.
        other: of the same gas.
    """
    time_s, value, found = signal.time_s, signal.value, np.zeros(signal.value.size, np.bool_)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], value > limit_c, [False]))))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if begin == 0 or end == value.size or time_s[end] - time_s[begin] > max_s:
            continue
        height = float(value[begin:end].max() - value[begin - 1])
        if height < min_k:
            continue
        if other is not None:
            risen = _risen(other, float(time_s[begin]), float(time_s[end]))
            found[begin:end] = risen < _FOLLOWS * height
            continue
        fall, step_s = -np.diff(value[begin : end + 1]), np.diff(time_s[begin : end + 1])
        limit = (_SLACK - np.expm1(-step_s / tau_s)) * height
        found[begin:end] = bool((fall > limit).any())
    return found


def _risen(other: Signal, begin_s: float, end_s: float) -> float:
    """Return how far another temperature rose about a time [K], nan where it shows nothing."""
    near = (other.time_s >= begin_s - _AROUND_S) & (other.time_s <= end_s + _AROUND_S)
    before = other.value[near & (other.time_s < begin_s)]
    after = other.value[near & (other.time_s >= begin_s)]
    return float(after.max() - np.median(before)) if before.size and after.size else math.nan
