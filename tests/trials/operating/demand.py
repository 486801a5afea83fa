"""Days of cleaning on demand by a controller whose set points are known, by two physics."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
from helpers.scenes import kiln, site_of

from rowcall.condition.state import State
from rowcall.events.cycles import find_cycles
from rowcall.events.facts.daily import dp_facts
from rowcall.events.headers.air_use import row_interval
from rowcall.model import Fact, Floats
from rowcall.site import Baghouse, Role
from rowcall_plant import CleaningPlan, site_text, tag_list
from rowcall_plant.fault_book import FaultBook
from rowcall_plant.physics.cleaning import CleaningState, clean_day, dp_at_seconds, drive_of
from rowcall_plant.physics.gas import gas_day
from rowcall_plant.scene import Scene
from trials.casing import DAY_S, Casing, casing_days
from trials.operating.recorded import Way, kept

_FIRST = datetime(2026, 1, 1, tzinfo=UTC)
_AREA_M2 = 650.0
_FULL_M3_S = 11.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DemandPlan:
    """A controller on demand, SI units.

    Attributes:
        finishes_pass: a bout goes over all rows at least once, however low DP is.
        clean: DP of clean cloth over the stop set point.
        removed: share of a row's cake that a pulse throws off, about.
    """

    seed: int
    start_pa: float
    stop_pa: float
    interval_s: float
    n_rows: int
    finishes_pass: bool
    clean: float
    removed: float
    dust: float
    load_swing: float
    noise_pa: float

    @property
    def band_pa(self) -> float:
        """From start to stop."""
        return self.start_pa - self.stop_pa


@dataclass(frozen=True, slots=True)
class DemandDay:
    """A day in truth: each second, shape (86400,); pulses and their rows from 1 on, (pulses,)."""

    dp: Floats
    flow: Floats
    inlet_c: Floats
    pulse_s: Floats
    pulse_row: Floats


def demand_plan(seed: int) -> DemandPlan:
    """Return a plan: start 1-2.4 kPa, band 0.2-0.6 kPa, 8-20 rows, noise of DP 2-10 Pa."""
    rng = np.random.default_rng([seed, 47])
    start, band = float(rng.uniform(1000, 2400)), float(rng.uniform(200, 600))
    return DemandPlan(
        seed=seed,
        start_pa=10 * round(start / 10),
        stop_pa=10 * round((start - min(band, 0.4 * start)) / 10),
        interval_s=float(rng.integers(5, 21)),
        n_rows=int(rng.integers(8, 21)),
        finishes_pass=bool(rng.random() < 0.5),
        clean=float(rng.uniform(0.55, 0.85)),
        removed=float(rng.uniform(0.2, 0.8)),
        dust=float(10 ** rng.uniform(-2.3, -1.7)),
        load_swing=float(rng.uniform(0.02, 0.3)),
        noise_pa=float(rng.uniform(2, 10)),
    )


def _cleaning(plan: DemandPlan) -> CleaningPlan:
    return CleaningPlan(
        interval_s=plan.interval_s,
        start_dp_pa=plan.start_pa,
        stop_dp_pa=plan.stop_pa,
        finishes_pass=plan.finishes_pass,
        firing_order=tuple(range(1, plan.n_rows + 1)),
    )


def plant(plan: DemandPlan) -> DemandDay:
    """Return the day by `rowcall_plant`: linear drag."""
    base = kiln(rows=(plan.n_rows,), cleaning=_cleaning(plan))
    gas = replace(base.gas, design_flow_m3_s=_FULL_M3_S, daily_load_frac=plan.load_swing / 3)
    fabric = replace(
        base.fabric,
        area_m2=_AREA_M2,
        residual_drag_pa_s_m=plan.clean * plan.stop_pa * _AREA_M2 / _FULL_M3_S,
        dust_load_kg_m3=plan.dust,
        removed_frac=plan.removed,
    )
    scene = Scene(replace(base, gas=gas, fabric=fabric), FaultBook((), "UTC"), plan.seed)
    first_s = _FIRST.timestamp()
    with_end = gas_day(scene, first_s + np.arange(DAY_S + 1.0))
    drive = drive_of(scene, with_end)
    cake = np.random.default_rng([plan.seed, 53]).uniform(0.05, 0.15, plan.n_rows)
    done = clean_day(scene, drive, CleaningState(cake, 0, first_s, False, 0))
    dp = dp_at_seconds(drive, done)
    rows = done.row_index + 1.0
    return DemandDay(
        dp[:-1], with_end.flow_m3_s[:-1], with_end.inlet_c[:-1], done.call_s - first_s, rows
    )


def casing(plan: DemandPlan) -> DemandDay:
    """Return the day by the second physics: drag that grows faster than its cake."""
    clean = plan.clean * plan.stop_pa / 592.0  # of the plain plan's cloth at its usual flow
    made = Casing(
        seed=plan.seed,
        n_rows=plan.n_rows,
        laminar=2.5e4 * clean,
        inertial=4.0e5 * clean,
        finishes_pass=plan.finishes_pass,
        thick=0.1 / plan.removed,
        dust=plan.dust,
        interval=plan.interval_s,
        start_dp=plan.start_pa,
        stop_dp=plan.stop_pa,
        load_swing=plan.load_swing,
        step_s=1.0,
    )
    day = next(casing_days(made, 1))
    return DemandDay(day.dp, day.flow, day.inlet_c, day.pulse_s, day.pulse_row)


def house_of(plan: DemandPlan) -> Baghouse:
    """Return the baghouse; its site file states other set points than those in force."""
    base = kiln(
        rows=(plan.n_rows,), cleaning=CleaningPlan(firing_order=_cleaning(plan).firing_order)
    )
    return site_of(site_text("Plant", [(base, tag_list(base, 100, rows_by="solenoid"))]))


def facts_of(plan: DemandPlan, day: DemandDay, way: Way) -> dict[Fact, float]:
    """Return the facts that rowcall finds in what a historian keeps of a day."""
    rng = np.random.default_rng([plan.seed, 59, way.step_s])
    digit = 10.0 if way.is_coarse else 1.0
    dp = kept(rng, way, day.dp, noise=plan.noise_pa, digit=digit, band=10.0)
    pulses = pl.DataFrame(
        {
            "time_s": np.round(day.pulse_s, 3),
            "compartment": np.ones(day.pulse_s.size, int),
            "row": day.pulse_row.astype(int),
        }
    )
    house, minutes = house_of(plan), _minutes(day)
    cycles = find_cycles(house, {(Role.DP, 0, 0): dp}, pulses, minutes)
    lines = dp_facts(house, dp, minutes, cycles, pulses)
    found = {fact: float(value) for _, _, fact, value in lines if isinstance(value, (int, float))}
    times, rows = pulses["time_s"].to_numpy(), pulses["compartment"].to_numpy()
    return {**found, Fact.ROW_INTERVAL_S: row_interval(times, rows)}


def _minutes(day: DemandDay) -> pl.DataFrame:
    flow, inlet_c = (one.reshape(-1, 60).mean(axis=1) for one in (day.flow, day.inlet_c))
    return pl.DataFrame(
        {
            "minute": np.arange(flow.size),
            "gas_flow_m3_s": flow,
            "inlet_temperature_c": inlet_c,
            "on_line_frac": np.ones(flow.size),
            "state": [State.RUNNING.value] * flow.size,
        }
    )
