"""What a dust monitor shows while gas flows, outside its checks, and its base level."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rowcall.condition.quantiles import group_medians, median
from rowcall.condition.reconstruct import held_at
from rowcall.events.dust.checks import Check, find_checks, outside
from rowcall.events.dust.puff_model import Ints
from rowcall.events.noise import median_deviation
from rowcall.events.operation.gas_seconds import GasSeconds
from rowcall.events.passed import passed
from rowcall.model import Floats, Signal

_HELD_STEP_S = 2.0  # chosen: a tag recorded on change is read so often
_N_PHASES = 8  # chosen: parts of the time since the last pulse; a puff fills a few of them
_BLOCK_S = 3600.0  # chosen: load and process move little in an hour
_MIN_POINTS = 5  # chosen: of an hour, for its median
_MEDIAN_ERROR = math.sqrt(math.pi / 2)  # of a median over that of a mean, normal noise


@dataclass(frozen=True, slots=True)
class Dust:
    """Points while gas flows, shape (n,), in the inside unit of the tag; checks left out."""

    time_s: Floats
    value: Floats
    checks: list[Check]


def dust_of(signal: Signal, gas: GasSeconds) -> Dust:
    """Return what a monitor shows of the gas."""
    n = gas.is_moving.size
    at, value = signal.time_s, signal.value
    if signal.step:
        at = np.arange(0.0, n, _HELD_STEP_S)
        value = held_at(signal.time_s, value, at, longest_s=signal.longest_hold_s)
    checks = find_checks(signal)
    inside = (at >= 0) & (at < n) & np.isfinite(value) & outside(checks, at)
    at, value = at[inside], value[inside]
    moving = gas.is_moving[at.astype(np.intp)]
    return Dust(at[moving], value[moving], checks)


def base_level(dust: Dust, fired_s: Floats) -> tuple[float, float]:
    """Return the level between pulses and its standard error [unit of the tag], nan if unknown.

    Points are sorted by the time since the last pulse of any row, `fired_s`, shape (k,), rising.
    The part of it with the lowest level, against the median of the hour, is the one that puffs
    hardly reach; the base is the median over hours of its points.
    """
    if not dust.time_s.size:
        return math.nan, math.nan
    hour = (dust.time_s / _BLOCK_S).astype(np.intp)
    rest: Floats = dust.value - _medians(hour, dust.value)[hour]
    phase = _phase(dust.time_s, fired_s)
    phases = np.flatnonzero(np.bincount(phase))
    low = phase == phases[np.argmin([median(rest[phase == k]) for k in phases])]
    by_hour = _medians(hour[low], dust.value[low])
    known = by_hour[np.isfinite(by_hour)]
    if not known.size:
        return math.nan, math.nan
    error = _MEDIAN_ERROR * median_deviation(known) / math.sqrt(known.size)
    return median(known), error if known.size > 2 else math.nan


def _phase(at_s: Floats, fired_s: Floats) -> Ints:
    """Return the part (0, 1, ...) of the time since the last pulse in which each point lies."""
    last = passed(at_s, fired_s)
    since = at_s - np.append(-np.inf, fired_s)[last]
    known = np.sort(since[last > 0])
    if not known.size:
        return np.zeros(at_s.size, np.intp)
    edges = np.unique(np.quantile(known, np.linspace(0, 1, _N_PHASES + 1)[1:-1]))
    return np.asarray(np.searchsorted(edges, since))


def _medians(hour: Ints, value: Floats) -> Floats:
    """Return the median of each hour, nan of too few points, shape (last hour + 1,)."""
    count = np.bincount(hour)
    medians = np.full(count.size, np.nan)
    medians[count > 0] = group_medians(value, (np.cumsum(count) - count)[count > 0])
    return np.where(count >= _MIN_POINTS, medians, np.nan)
