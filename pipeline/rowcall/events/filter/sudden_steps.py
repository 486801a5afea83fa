"""Falls and rises of drag within a minute, which neither dust, pulses nor load make.

Around each minute, within one bout of pulses or one rest between two, the logarithm of drag is a
straight line, plus a change for each pulse, a power of flow (cloth is not quite laminar, and a flow
meter may jump) and a step. All four have normal priors, so a step that pulses or flow explain as
well has a wide error. Dust adds cake over minutes, heat changes viscosity over minutes: neither is
a step.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.condition.state import State
from rowcall.events.cycles import PAUSE_INTERVALS, flow_per_cloth
from rowcall.events.noise import TO_DEVIATION
from rowcall.gas.viscosity import viscosity_ratio
from rowcall.model import Floats, Signal

Ints = npt.NDArray[np.integer[Any]]

_BESIDE_MIN = 12  # chosen: minutes on each side; drag is nearly straight for so long
_MIN_BESIDE = 3  # chosen: of them, in a rest; fewer show no level. In a bout all: its first pulses
# take more cake than the others
_MIN_NOISE = 0.003  # [-] chosen: a minute's drag is never taken as better known
# Standard deviations beforehand, chosen: growth of drag a minute about the day's usual one, its
# change at a pulse (a row of three in a small casing), exponent of flow (inertial drop against
# laminar), a step.
_PRIOR = np.array([0.01, 0.05, 0.5, 1.0])
_MIN_SNR = 6.0  # chosen: of some thousand minutes tried in days none
_MIN_STEP = 0.04  # [-] chosen: as for a level of DP that changed
_ALIKE = 2.0  # chosen: a rise and a fall within this ratio are one compartment off and back
_BRIEF_MIN = 30  # [min] chosen: what is undone sooner is no bag, door or damper


@dataclass(frozen=True, slots=True)
class Step:
    """A step of drag: minute of the day, its logarithm, and the standard error of that."""

    minute: int
    log: float
    error: float


@dataclass(frozen=True, slots=True)
class SuddenSteps:
    """Steps of a day in order of time, and the number of minutes at which one would show."""

    steps: tuple[Step, ...]
    n_minutes: int


def sudden_steps(
    dp: Signal, minutes: pl.DataFrame, pulses_s: Floats, interval_s: float
) -> SuddenSteps | None:
    """Return the steps of drag of a day, None without gas flow.

    Args:
        minutes: as `BaghouseDay.minutes`.
        pulses_s: all pulses of the day, ascending, shape (n,) [s].
        interval_s: time from pulse to pulse within a bout [s].
    """
    flow = flow_per_cloth(minutes)
    if flow is None or "dp_pa" not in minutes.columns:
        return None
    log_drag, log_flow = _logs(dp, minutes, flow)
    n_pulses = np.searchsorted(pulses_s, 60.0 * np.arange(flow.size) + 30.0).astype(np.float64)
    bout = _parts(pulses_s, interval_s, flow.size)
    part = 2 * flow.size * bout + np.cumsum(np.isnan(log_drag))  # a gap parts minutes too
    needed = np.where(bout % 2, _BESIDE_MIN, _MIN_BESIDE)
    at, log, error = _fitted(log_drag, log_flow, n_pulses, part, needed)
    found = np.abs(log) >= np.maximum(_MIN_SNR * error, _MIN_STEP)
    peaks = (
        max(group, key=lambda one: abs(log[one]) / error[one])
        for group in _neighbours(np.flatnonzero(found).tolist(), at)
    )
    steps = tuple(Step(int(at[one]), float(log[one]), float(error[one])) for one in peaks)
    return SuddenSteps(steps, int((error * _MIN_SNR < -math.log(0.9)).sum()))


def unpaired(steps: Sequence[Step], *, may_switch: bool) -> list[Step]:
    """Return the steps that are not undone within minutes.

    may_switch: compartments may go off line and back with no bit that shows it: a fall that undoes
    a rise is none then.
    """
    left = list(steps)
    for first, second in [*pairwise(steps)]:
        is_pair = first.log * second.log < 0 and _alike(first.log, second.log)
        is_brief = second.minute - first.minute < _BRIEF_MIN
        is_back = may_switch and first.log > 0
        if is_pair and (is_brief or is_back) and first in left:
            left = [one for one in left if one not in (first, second)]
    return left


def _alike(one: float, other: float) -> bool:
    return 1 / _ALIKE <= abs(one / other) <= _ALIKE


def _logs(dp: Signal, minutes: pl.DataFrame, flow: Floats) -> tuple[Floats, Floats]:
    """Logarithms of drag and flow by minute; nan where the unit does not run or DP has a gap."""
    level = minutes["dp_pa"].fill_null(math.nan).to_numpy()
    ratio: Floats = np.ones(flow.size)
    if "inlet_temperature_c" in minutes.columns:
        ratio = viscosity_ratio(minutes["inlet_temperature_c"].fill_null(math.nan).to_numpy())
    inside = dp.time_s[(dp.time_s >= 0) & (dp.time_s < 60.0 * flow.size)]
    has_point = np.bincount((inside // 60).astype(np.intp), minlength=flow.size) > 0
    share = minutes["on_line_frac"].to_numpy()
    is_same_cloth = share == np.roll(share, 1)
    running = (minutes["state"] == State.RUNNING.value).fill_null(value=False).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        known = running & has_point & is_same_cloth & (level > 0) & (flow > 0) & (ratio > 0)
        log_flow = np.where(known, np.log(flow), math.nan)
        return np.where(known, np.log(level / ratio), math.nan) - log_flow, log_flow


def _parts(pulses_s: Floats, interval_s: float, n: int) -> Ints:
    """Number the rests (even) and bouts (odd) by minute, shape (n,); -1 where one ends."""
    apart = np.diff(pulses_s, prepend=0.0)
    usual_s = float(np.median(apart)) if apart.size else 0.0
    pause = PAUSE_INTERVALS * max(interval_s, usual_s)
    is_cut = np.diff(pulses_s, prepend=-math.inf, append=math.inf) > pause
    edges = np.sort(np.concatenate((pulses_s[is_cut[:-1]], pulses_s[is_cut[1:]]))) / 60.0
    first, last = (
        np.searchsorted(edges, np.arange(n)),
        np.searchsorted(edges, np.arange(1.0, n + 1)),
    )
    # The minute after a bout settles.
    ends = np.where(first == last, first, -1)
    return np.where(np.roll(ends, 1) < 0, -1, ends)


def _fitted(
    drag: Floats, flow: Floats, n_pulses: Floats, part: Ints, needed: Ints
) -> tuple[Ints, Floats, Floats]:
    """Minutes tried, the logarithm of a step at each, and its standard error; shape (n,)."""
    n = 2 * _BESIDE_MIN + 1
    padded = [
        np.pad(one, _BESIDE_MIN, constant_values=end)
        for one, end in ((drag, math.nan), (flow, 0.0), (n_pulses, 0.0), (part, -1))
    ]
    views = (np.lib.stride_tricks.sliding_window_view(one, n) for one in padded)
    y, x_flow, x_pulse, of = views
    time = np.arange(-_BESIDE_MIN, _BESIDE_MIN + 1.0)
    # The minute of the step itself lies between both levels.
    use = np.isfinite(y) & (of == part[:, None]) & (time != 0)
    n_beside = np.minimum(use[:, time < 0].sum(axis=1), use[:, time > 0].sum(axis=1))
    at = np.flatnonzero(np.isfinite(drag) & (n_beside >= needed))
    weight = use[at].astype(np.float64)
    count = weight.sum(axis=1)
    is_after = np.broadcast_to((time > 0).astype(np.float64), weight.shape)
    growing = np.broadcast_to(time, weight.shape)
    x = np.stack((growing, x_pulse[at], np.nan_to_num(x_flow[at]), is_after), axis=2)
    growth = np.diff(drag)
    usual = float(np.nanmedian(growth)) if np.isfinite(growth).any() else 0.0
    values = np.nan_to_num(y[at]) - usual * time
    x = (x - (x * weight[..., None]).sum(axis=1, keepdims=True) / count[:, None, None]) * (
        weight[..., None]
    )
    values = (values - (values * weight).sum(axis=1, keepdims=True) / count[:, None]) * weight
    noise, prior = _noise(drag), np.diag(_PRIOR**-2.0)
    turned = np.swapaxes(x, 1, 2)
    gram, to_y = turned @ x, turned @ values[..., None]
    fitted = np.linalg.solve(gram / noise**2 + prior, to_y / noise**2)
    residual = values - (x @ fitted)[..., 0]
    free = np.maximum(count - _PRIOR.size - 1, 1.0)
    variance = np.maximum(noise**2, (residual**2).sum(axis=1) / free)[:, None, None]
    spread = np.linalg.inv(gram / variance + prior)
    fitted = spread @ (to_y / variance)
    return at, fitted[:, 3, 0], np.sqrt(spread[:, 3, 3])


def _noise(drag: Floats) -> float:
    """Standard deviation of a minute about a straight line, robust against pulses and steps."""
    bend = np.diff(drag, 2)
    known = np.abs(bend[np.isfinite(bend)])
    typical = TO_DEVIATION * float(np.median(known)) / math.sqrt(6) if known.size else 0.0
    return max(typical, _MIN_NOISE)


def _neighbours(found: list[int], at: Ints) -> Iterator[list[int]]:
    """Yield runs of minutes found that lie within one window of each other."""
    group: list[int] = []
    for one in found:
        if group and at[one] - at[group[-1]] > _BESIDE_MIN:
            yield group
            group = []
        group.append(one)
    if group:
        yield group
