"""A second physics of filter and gas, which shares no formula with `rowcall_plant` or the rules.

Cloth has a drop that grows with velocity and its square (Forchheimer), cake one that grows faster
than its load, as it is compressed. A pulse throws off the more of a row's cake, the thicker it is,
and part of it lands on the other rows again. The gas comes through a duct whose wall takes heat up
(one ordinary differential equation), so that temperature follows load with a lag. All forms and
numbers chosen; common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from rowcall.model import Floats

DAY_S = 86_400
STEP_S = 10.0  # [s] of the simulation, unless a plant has its own
_STANDS = 0.02  # share of full flow below which gas counts as standing


@dataclass(frozen=True, slots=True, kw_only=True)
class Casing:
    """A plant; SI units.

    Attributes:
        laminar, inertial: of clean cloth [Pa.s/m], [Pa.s2/m2].
        cake: drop for each kg/m2 and m/s [Pa.s.m/kg], and `packing` [m2/kg], by which it grows.
        thick: cake load of which a pulse throws off 63 % [kg/m2]; `again`: the share that lands
            on other rows.
        growth: of the cloth's drop a day [-]; step: at `step_day`, at once.
        stops: [begin, end) of halts of the fan, since the first day [s]; `ramp_s` until it is up.
        finishes_pass: a bout on demand goes over all rows at least once.
        ambient_c: what stands cools down to.
    """

    seed: int
    mode: Literal["on_demand", "on_time"] = "on_demand"
    n_rows: int = 12
    area: float = 600.0
    flow: float = 11.0
    laminar: float = 2.5e4
    inertial: float = 4.0e5
    cake: float = 9.0e4
    packing: float = 0.8
    thick: float = 0.12
    again: float = 0.15
    dust: float = 0.012
    interval: float = 15.0
    start_dp: float = 1300.0
    stop_dp: float = 1000.0
    finishes_pass: bool = True
    gas_c: float = 165.0
    wall_s: float = 1500.0
    load_swing: float = 0.15
    product_swing: float = 0.0
    season: float = 0.0
    growth: float = 0.0
    step: float = 0.0
    step_day: int = 0
    noise_pa: float = 8.0
    stops: tuple[tuple[float, float], ...] = ()
    ramp_s: float = 0.0
    ambient_c: float = 20.0
    step_s: float = STEP_S
    set_points_from: tuple[float, float, float] | None = None  # since [s], start, stop [Pa]


@dataclass(slots=True)
class Cake:
    """What goes on from day to day."""

    load: Floats  # [kg/m2] a row
    wall_c: float
    next_s: float = 0.0
    row: int = 0
    is_cleaning: bool = False
    n_bout: int = 0
    dp: float = 1000.0


@dataclass(frozen=True, slots=True)
class CasingDay:
    """True values each step since the first day, shape (n,); pulses, rows from 1 on."""

    at_s: Floats
    dp: Floats
    flow: Floats
    inlet_c: Floats
    pulse_s: Floats
    pulse_row: Floats


def casing_days(plan: Casing, n_days: int) -> Iterator[CasingDay]:
    """Yield the days of a plant, each from where the last one ended."""
    rng = np.random.default_rng(plan.seed)
    load = _load(plan, rng, n_days)
    dust = plan.dust * np.exp(plan.product_swing * _steps(plan, rng, n_days))
    cake = Cake(load=np.full(plan.n_rows, 0.05), wall_c=plan.gas_c)
    for day in range(n_days):
        yield _day(plan, day, load[day], dust[day], cake, rng)


def _steps(plan: Casing, rng: np.random.Generator, n_days: int) -> Floats:
    """Products: a level that changes every few days, shape (n_days, steps a day)."""
    level = np.repeat(rng.uniform(-1, 1, n_days // 3 + 2), 3)[:n_days]
    return np.asarray(np.repeat(level[:, None], round(DAY_S / plan.step_s), axis=1))


def _load(plan: Casing, rng: np.random.Generator, n_days: int) -> Floats:
    """Flow over its usual, shape (n_days, steps a day): shift, weekend, wander."""
    at = np.arange(n_days * round(DAY_S / plan.step_s)) * plan.step_s
    hours = np.arange(0.0, at[-1] + 3600, 3600)
    wander = np.interp(at, hours, rng.normal(0, 0.3, hours.size))
    shift = np.sin(2 * np.pi * (at / DAY_S - 0.3))
    weekend = -1.0 * ((at // DAY_S) % 7 >= 5)
    share = 1 + plan.load_swing * (0.4 * shift + 0.4 * weekend + wander)
    return np.asarray(np.clip(share, 0.5, 1.5).reshape(n_days, -1))


def _cloth(plan: Casing, day: float) -> float:
    """What clean cloth's drop is over that of the first day."""
    return float((1 + plan.growth) ** day * (1 + plan.step * (day >= plan.step_day)))


def _drop(
    plan: Casing, load: Floats, cloth: float, viscosity: float, mean: float, at: float
) -> tuple[float, Floats]:
    """Return the common drop [Pa] and each row's velocity [m/s] for a mean velocity."""
    laminar = viscosity * (plan.laminar * cloth + plan.cake * load * (1 + plan.packing * load))
    inertial = plan.inertial * cloth
    for _ in range(20):
        root = np.sqrt(laminar * laminar + 4 * inertial * at)
        velocity = (root - laminar) / (2 * inertial)
        miss = float(velocity.mean()) - mean
        if abs(miss) < 1e-7 * mean:
            break
        at = max(at - miss / float((1 / root).mean()), 1e-3)
    return at, velocity


def _day(
    plan: Casing, day: int, load: Floats, dust: Floats, cake: Cake, rng: np.random.Generator
) -> CasingDay:
    n = round(DAY_S / plan.step_s)
    first = day * DAY_S
    at_s = first + np.arange(n) * plan.step_s
    dp, flow, inlet = np.zeros(n), np.zeros(n), np.zeros(n)
    pulses: list[tuple[float, int]] = []
    warm = plan.gas_c + 25 * plan.season * np.sin(2 * np.pi * day / 365)
    for k, at in enumerate(at_s.tolist()):
        fan = _fan(plan, at)
        stands = fan < _STANDS
        flow[k] = 0.0 if stands else plan.flow * load[k] * fan
        towards = plan.ambient_c if stands else warm
        pace = plan.wall_s * (6.0 if stands else plan.flow / flow[k])
        cake.wall_c += (towards - cake.wall_c) * plan.step_s / pace
        inlet[k] = cake.wall_c
        if stands:
            cake.next_s = at + plan.step_s
            continue
        mean = flow[k] / plan.area
        viscosity = ((inlet[k] + 273.15) / 438.15) ** 0.7
        cake.dp, velocity = _drop(
            plan, cake.load, _cloth(plan, at / DAY_S), viscosity, mean, cake.dp
        )
        cake.load = cake.load + dust[k] * velocity * plan.step_s
        dp[k] = cake.dp
        while (call := _call(plan, cake, at)) is not None:
            pulses.append((call, cake.row + 1))
            _throw_off(plan, cake, rng)
    times = np.array([one for one, _ in pulses])
    rows = np.array([float(row) for _, row in pulses])
    return CasingDay(at_s, dp, flow, inlet, times, rows)


def _fan(plan: Casing, at: float) -> float:
    """Return the share of full flow that the fan lets through."""
    if any(begin <= at < end for begin, end in plan.stops):
        return 0.0
    since = [at - end for _, end in plan.stops if at >= end]
    return min([1.0, *(one / plan.ramp_s for one in since)]) if plan.ramp_s else 1.0


def _call(plan: Casing, cake: Cake, at: float) -> float | None:
    """Return when the next row is pulsed, if that is within this step."""
    start, stop = plan.start_dp, plan.stop_dp
    if plan.set_points_from is not None and at >= plan.set_points_from[0]:
        _, start, stop = plan.set_points_from
    if plan.mode == "on_demand":
        n_least = plan.n_rows if plan.finishes_pass else 1
        if cake.is_cleaning and cake.dp <= stop and cake.n_bout >= n_least:
            cake.is_cleaning = False
        if not cake.is_cleaning and cake.dp >= start:
            cake.is_cleaning, cake.n_bout, cake.next_s = True, 0, max(cake.next_s, at)
        if not cake.is_cleaning:
            return None
    if cake.next_s >= at + plan.step_s:
        return None
    call = max(cake.next_s, at)
    cake.next_s = call + plan.interval
    return call


def _throw_off(plan: Casing, cake: Cake, rng: np.random.Generator) -> None:
    row, load = cake.row, cake.load
    share = 1 - np.exp(-load[row] / plan.thick)
    gone = load[row] * min(0.95, share * rng.uniform(0.9, 1.1))
    load = load + plan.again * gone / (plan.n_rows - 1)
    load[row] = cake.load[row] - gone
    cake.load, cake.row, cake.n_bout = load, (row + 1) % plan.n_rows, cake.n_bout + 1
