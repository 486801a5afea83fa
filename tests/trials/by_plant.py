"""The first simulator: a header as drawn, put through `rowcall_plant`'s faults and closed forms."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import TypedDict

import numpy as np

import rowcall_plant as plant
from rowcall_plant.fault_book import FaultBook
from rowcall_plant.physics.cleaning import CleaningDay, CleaningState
from rowcall_plant.physics.gas import gas_day
from rowcall_plant.physics.header import pressure_at
from rowcall_plant.physics.header_blows import pulse_day, resting_headers
from rowcall_plant.scene import Scene
from trials.header_day import HeaderDay
from trials.rows import HeaderPlan, Kind
from trials.schedule import Floats, Schedule


class _Place(TypedDict):
    start: datetime
    compartment: int
    row: int


START = datetime(2026, 3, 2, tzinfo=UTC)
T95 = float(np.log(20.0))


def simulate_plant(rng: np.random.Generator, header: HeaderPlan, schedule: Schedule) -> HeaderDay:
    """Simulate one trial; the simulator's own controller gives way to the schedule."""
    seed = int(rng.integers(2**31))
    plan = _plan(header, schedule)
    scene = Scene(plan, FaultBook(tuple(_faults(header, seed)), plan.time_zone), seed)
    first_s = START.timestamp()
    gas = gas_day(scene, first_s + np.arange(schedule.seconds + 1.0))
    pulse = pulse_day(scene, gas, _calls(schedule, first_s), resting_headers(plan, gas))
    (blows,), (level_pa,), truth = pulse.blows, pulse.level_pa, pulse.pulses

    def pressure_pa(at_s: Floats) -> Floats:
        at = first_s + at_s
        level = np.interp(at, gas.unix_s, level_pa)
        return pressure_at(at, blows, level, plan.header.opening_s)

    shut = truth["drop_pa"].to_numpy() == 0.0
    return HeaderDay(
        schedule=schedule,
        pressure_pa=pressure_pa,
        before_pa=truth["before_pa"].to_numpy(),
        drop_pa=truth["drop_pa"].to_numpy(),
        minimum_after_s=truth["minimum_after_s"].fill_null(float("nan")).to_numpy(),
        tau_s=np.where(shut, np.nan, truth["tau_s"].to_numpy()),
    )


def _plan(header: HeaderPlan, schedule: Schedule) -> plant.BaghousePlan:
    return plant.BaghousePlan(
        id="BH1",
        name="Trial filter",
        time_zone="UTC",
        rows_per_compartment=(len(header.rows),),
        fabric=plant.FabricPlan(area_m2=500.0),
        gas=plant.GasPlan(design_flow_m3_s=8.0),
        header=plant.HeaderPlan(
            set_pa=header.set_pa,
            tau_s=header.refill_s / T95,
            drop_frac=header.drop_frac,
            drop_row_spread_frac=header.row_spread,
            drop_pulse_spread_frac=header.pulse_spread,
        ),
        cleaning=plant.CleaningPlan(mode="on_time", firing_order=schedule.order),
    )


def _faults(header: HeaderPlan, seed: int) -> Iterator[plant.Fault]:
    for number, row in enumerate(header.rows, start=1):
        at = _Place(start=START, compartment=1, row=number)
        if row.kind is Kind.SILENT:
            yield plant.RowSilent(**at)
        elif row.kind in (Kind.FAINT, Kind.FEWER_BAGS):
            yield plant.RowFaint(**at, drop_share=row.drop_share)
        elif row.kind is Kind.DRAWN_OUT:
            yield plant.RowDrawnOut(**at, late_s=row.late_s, late_flow_frac=row.late_flow)
        elif row.kind is Kind.INTERMITTENT:
            yield plant.RowIntermittent(**at, one_in=row.one_in, seed=seed)
        elif row.kind is Kind.NOT_CALLED:
            yield plant.RowNotCalled(**at)


def _calls(schedule: Schedule, first_s: float) -> CleaningDay:
    """The schedule as what the controller hands on; its cloth is not looked at."""
    none, no_sign = np.empty(0), np.empty(0, np.int64)
    return CleaningDay(
        call_s=first_s + schedule.fire_s,
        row_index=schedule.row - 1,
        event_s=none,
        drag_pa_s_m=np.empty((0, 0)),
        switch_s=none,
        switch_on=no_sign,
        state=CleaningState(none, 0, first_s, True, 0),
    )
