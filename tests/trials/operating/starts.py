"""Days with one halt and one start, and for how long their gas was cold in truth.

Truth is counted second by second on the temperatures and flows that the physics gives, without
noise. The water dew point of truth is that of the saturation pressure of Wagner and Pruss (1993,
values from memory), not of the formula that rowcall uses; that of acid is known by correlations
only, so the limit there is the middle one of them, as rowcall states it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from helpers.gas_days import DAY_S, FLOW, TEMPERATURE, Signals, house
from helpers.scenes import kiln
from scipy.optimize import brentq

from rowcall.gas.dew_points import acid_dew_points_c
from rowcall.model import Floats
from rowcall.site import Baghouse
from rowcall_plant import CleaningPlan, PlannedStop
from rowcall_plant.fault_book import FaultBook
from rowcall_plant.physics.gas import gas_day
from rowcall_plant.scene import Scene
from trials.casing import STEP_S, Casing, casing_days
from trials.operating.recorded import Way, kept

FULL_M3_S = 12.0
RUNNING_SHARE = 0.2  # of full flow, as the site file states it
_FIRST = datetime(2026, 1, 1, tzinfo=UTC)
_TRIPLE = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
_POWERS = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class StartPlan:
    """One day; fan off in [stop_s, start_s), then up within `ramp_s`; gas warms in `heating_s`."""

    seed: int
    stop_s: float
    start_s: float
    ramp_s: float
    heating_s: float
    ambient_c: float
    running_c: float
    moisture: float
    so3: float
    water_margin_k: float
    acid_margin_k: float


@dataclass(frozen=True, slots=True)
class StartDay:
    """A day in truth, each second, shape (86400,)."""

    flow: Floats
    inlet_c: Floats

    def cold_s(self, plan: StartPlan, limit_c: float) -> float:
        """Return for how many seconds after the halt gas flowed colder than a limit."""
        is_cold = (self.flow > RUNNING_SHARE * FULL_M3_S) & (self.inlet_c < limit_c)
        return float(is_cold[int(plan.stop_s) + 600 :].sum())

    def begin_s(self, plan: StartPlan) -> float:
        """Return when gas flows again."""
        after = int(plan.stop_s) + 600
        return after + float(np.argmax(self.flow[after:] > RUNNING_SHARE * FULL_M3_S))


def start_plan(seed: int) -> StartPlan:
    """Return a plan drawn from what plants do: restarts within the hour, cold starts, long heating.

    Running gas is at least 12 K above every limit, so that what is cold belongs to the start.
    """
    rng = np.random.default_rng([seed, 41])
    moisture, so3 = float(rng.uniform(0.04, 0.15)), float(10 ** rng.uniform(-6.3, -4.5))
    margin = float(rng.uniform(0, 10))
    limit_c = acid_c(moisture, so3) + margin
    halt_s = float(rng.choice([rng.uniform(1200, 5400), rng.uniform(5400, 50_000)]))
    stop_s = float(rng.uniform(7200, 62_000 - halt_s))
    return StartPlan(
        seed=seed,
        stop_s=round(stop_s),
        start_s=round(stop_s + halt_s),
        ramp_s=float(10 ** rng.uniform(1, 2.6)),
        heating_s=float(10 ** rng.uniform(2.3, 3.7)),
        ambient_c=float(rng.uniform(5, 60)),
        running_c=max(limit_c + 15, float(rng.uniform(130, 220))),
        moisture=moisture,
        so3=so3,
        water_margin_k=float(rng.uniform(0, 10)),
        acid_margin_k=margin,
    )


def water_c(moisture: float) -> float:
    """Return the temperature at which steam of a share of 1 atm is saturated [degC]."""

    def excess(celsius: float) -> float:
        kelvin = celsius + 273.15
        share = 1 - kelvin / 647.096
        terms = sum(a * share**power for a, power in zip(_TRIPLE, _POWERS, strict=True))
        return float(22.064e6 * np.exp(647.096 / kelvin * terms) - moisture * 101_325)

    return float(brentq(excess, 1, 100))


def acid_c(moisture: float, so3: float) -> float:
    """Return the middle one of the acid dew points by correlation [degC]."""
    return float(np.median(list(acid_dew_points_c(moisture, so3).values())))


def plant(plan: StartPlan) -> StartDay:
    """Return the day by `rowcall_plant`: closed forms."""
    base = kiln(rows=(12,), cleaning=CleaningPlan())
    halt = PlannedStop(
        start=_FIRST + timedelta(seconds=plan.stop_s), end=_FIRST + timedelta(seconds=plan.start_s)
    )
    gas = replace(
        base.gas,
        design_flow_m3_s=FULL_M3_S,
        inlet_c=plan.running_c,
        ambient_c=plan.ambient_c,
        warming_tau_s=plan.heating_s,
        cooling_tau_s=3600.0,
        fan_ramp_s=plan.ramp_s,
        stops=(halt,),
    )
    scene = Scene(replace(base, gas=gas), FaultBook((), "UTC"), plan.seed)
    day = gas_day(scene, _FIRST.timestamp() + np.arange(DAY_S))
    return StartDay(day.flow_m3_s, day.inlet_c)


def casing(plan: StartPlan) -> StartDay:
    """Return the day by the second physics: a wall that takes up heat, by an equation of its own.

    Its steps are longer than a second; between them all runs straight.
    """
    casing_plan = Casing(
        seed=plan.seed,
        flow=FULL_M3_S,
        gas_c=plan.running_c,
        wall_s=plan.heating_s,
        ambient_c=plan.ambient_c,
        ramp_s=plan.ramp_s,
        stops=((plan.stop_s, plan.start_s),),
    )
    day = next(casing_days(casing_plan, 1))
    at_s = np.arange(DAY_S)
    inlet_c = np.interp(at_s, day.at_s, day.inlet_c)
    held = np.minimum(np.round(at_s / STEP_S), day.at_s.size - 1).astype(int)
    jumps = (day.flow[held] == 0) | (np.interp(at_s, day.at_s, day.flow) == 0)
    return StartDay(np.where(jumps, 0.0, np.interp(at_s, day.at_s, day.flow)), inlet_c)


def signals_of(plan: StartPlan, day: StartDay, way: Way) -> Signals:
    """Return what a historian keeps of flow and temperature."""
    rng = np.random.default_rng([plan.seed, 43, way.step_s])
    flow_noise = 0.006 * day.flow.mean()
    return {
        FLOW: kept(rng, way, day.flow, noise=flow_noise, digit=0.01, band=0.02 * FULL_M3_S),
        TEMPERATURE: kept(
            rng, way, day.inlet_c, noise=0.3, digit=1.0 if way.is_coarse else 0.1, band=1.0
        ),
    }


def house_of(plan: StartPlan) -> Baghouse:
    """Return the baghouse as its site file has it."""
    return house(
        gas_moisture=plan.moisture,
        gas_so3=plan.so3,
        running_flow=f"{RUNNING_SHARE * FULL_M3_S} m3/s",
        running_temperature=None,
    )
