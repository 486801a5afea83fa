"""Filter drag and the cleaning controller, without noise."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest
from helpers.plant_days import simulate
from hypothesis import given
from hypothesis import strategies as st

from rowcall_plant import (
    BaghousePlan,
    CleaningPlan,
    FabricPlan,
    Fault,
    Frames,
    GasPlan,
    HeaderPlan,
    PlannedStop,
    RisingBaselineDp,
    RowSilent,
    Truth,
)
from rowcall_plant.physics.drag import grown_drag, grown_rows, parallel_drag

START = datetime(2026, 2, 13, 23, tzinfo=UTC)  # midnight in Europe/Vienna
DEMAND = BaghousePlan(
    id="BH1",
    name="Trial filter",
    fabric=FabricPlan(area_m2=1008.0),
    gas=GasPlan(design_flow_m3_s=60_000.0 / 3600.0),
    noise_scale=0.0,
)
TIMED = replace(DEMAND, cleaning=CleaningPlan(mode="on_time", interval_s=10.0))
STEADY = GasPlan(
    design_flow_m3_s=60_000.0 / 3600.0,
    daily_load_frac=0.0,
    slow_load_frac=0.0,
    inlet_daily_c=0.0,
    inlet_slow_c=0.0,
)


@cache
def run(plan: BaghousePlan, *faults: Fault) -> tuple[Frames, Truth]:
    return simulate(plan, faults, start=START, days=1, seed=3)


def test_drag_agrees_with_the_hand_calculation() -> None:
    # S = S_e + K2 W and dP = S V (form from memory: EPA/452/B-02-001); numbers chosen, computed.
    # S_e 0.5 in. H2O/(ft/min), K2 5, W 0.1 lb/ft2, V 2 ft/min gives S = 1.0 and dP = 2.0 in. H2O.
    rows = np.full(12, 0.5 + 5.0 * 0.1)
    assert 2.0 * parallel_drag(rows) == pytest.approx(2.0)


def test_growth_agrees_with_step_by_step_integration() -> None:
    first = np.array([4.0e4, 5.0e4, 9.0e4])
    rate, steps = 20.0, 20_000  # K2 c V in Pa s/m per s, and how many steps in 1000 s
    stepped = first.copy()
    for _ in range(steps):
        share = (1.0 / stepped) / np.mean(1.0 / stepped)
        stepped += rate * share * 1000.0 / steps
    assert grown_drag(first, np.array(rate * 1000.0)) == pytest.approx(stepped, rel=1e-5)


@given(
    rows=st.lists(st.floats(1e4, 3e5), min_size=1, max_size=24),
    growth=st.floats(0.0, 1e5),
)
def test_dust_is_conserved_and_dirtier_rows_gain_less(rows: list[float], growth: float) -> None:
    first = np.sort(np.array(rows))
    gain = grown_drag(first, np.array(growth)) - first
    assert gain.mean() == pytest.approx(growth, rel=1e-6, abs=1e-3)
    assert np.all(gain >= -1e-3)
    assert np.all(np.diff(gain) <= 1e-3)


@given(
    rows=st.lists(st.floats(1e4, 3e5), min_size=1, max_size=24),
    growth=st.floats(0.0, 1e5),
)
def test_one_instant_alone_grows_by_the_very_same_numbers(rows: list[float], growth: float) -> None:
    first = np.array(rows)
    twice = np.stack([first, first], axis=1)
    together = grown_drag(twice, np.array([growth, 0.5 * growth]))
    assert np.array_equal(grown_rows(rows, growth), grown_drag(twice, np.full(2, growth))[:, 0])
    assert grown_rows(rows, growth) == pytest.approx(together[:, 0], rel=1e-8)


def test_on_demand_dp_stays_around_its_set_points() -> None:
    frames, truth = run(DEMAND)
    dp = frames.analogue["dp_pa"].to_numpy()
    settled = dp[6 * 3600 :]
    assert settled.max() <= DEMAND.cleaning.start_dp_pa + 30.0
    assert DEMAND.cleaning.stop_dp_pa - 120.0 < settled.min() <= DEMAND.cleaning.stop_dp_pa
    assert truth.pulses.group_by("compartment", "row").len()["len"].to_numpy().min() >= 40


def test_on_demand_runs_start_high_end_low_and_make_a_full_pass() -> None:
    frames, truth = run(DEMAND)
    dp = frames.analogue["dp_pa"].to_numpy()
    change = frames.switches.filter(pl.col("signal") == "cleaning_on")[1:]
    second = ((change["time"] - START).dt.total_microseconds() / 1e6).to_numpy()
    on, off = second[::2], second[1::2]
    assert change["value"].to_list() == [1 - k % 2 for k in range(change.height)]
    assert np.all(dp[on.astype(int)] >= DEMAND.cleaning.start_dp_pa)
    after = np.minimum(off.astype(int) + 1, len(dp) - 1)
    assert np.all(dp[after] <= DEMAND.cleaning.stop_dp_pa + 2.0)
    fired = ((truth.pulses["time"] - START).dt.total_microseconds() / 1e6).to_numpy()
    pairs = zip(on, off, strict=False)
    assert min(np.sum((fired >= a) & (fired <= b)) for a, b in pairs) >= len(DEMAND.rows)


def test_on_time_interval_is_kept_in_the_firing_order() -> None:
    _, truth = run(TIMED)
    gap_s = np.diff(truth.pulses["time"].cast(pl.Int64).to_numpy()) / 1e6
    longest_s = TIMED.cleaning.interval_s + TIMED.cleaning.scan_s
    assert TIMED.cleaning.interval_s - 1e-6 <= gap_s.min() <= gap_s.max() <= longest_s + 1e-6
    fired = truth.pulses.select("compartment", "row").rows()
    assert fired[:6] == [(1, 1), (2, 1), (1, 4), (2, 4), (1, 7), (2, 7)]
    assert fired[24:48] == fired[:24]
    assert sorted(fired[:24]) == list(TIMED.rows)


@pytest.mark.parametrize("plan", [DEMAND, TIMED], ids=["on_demand", "on_time"])
def test_pulses_fall_at_every_phase_of_the_sampling_clock(plan: BaghousePlan) -> None:
    _, truth = run(plan)
    row = truth.pulses.filter((pl.col("compartment") == 1) & (pl.col("row") == 5))
    phase = row["time"].dt.microsecond().to_numpy() / 1e6
    counts, _ = np.histogram(phase, bins=5, range=(0.0, 1.0))
    assert counts.min() >= 3


def test_dp_rises_between_pulses_and_falls_at_each() -> None:
    frames, truth = run(replace(TIMED, gas=STEADY, cleaning=replace(TIMED.cleaning, interval_s=60)))
    dp = frames.analogue["dp_pa"].to_numpy()
    fired = ((truth.pulses["time"] - START).dt.total_microseconds() / 1e6).to_numpy()
    hit = np.unique(np.ceil(fired).astype(int))
    steps = np.diff(dp)
    is_pulse = np.isin(np.arange(1, len(dp)), hit)
    assert np.all(steps[~is_pulse] > 0.0)
    assert np.all(steps[is_pulse] < 0.0)


def test_silent_row_is_called_not_blown_and_not_cleaned() -> None:
    fault = RowSilent(start=START + timedelta(hours=4), compartment=1, row=7)
    healthy, _ = run(replace(TIMED, gas=STEADY))
    frames, truth = run(replace(TIMED, gas=STEADY), fault)
    here = (pl.col("compartment") == 1) & (pl.col("row") == 7)
    is_late = pl.col("time") >= fault.start
    assert truth.pulses.filter(here & is_late)["drop_pa"].to_list() == [0.0] * 300
    assert truth.pulses.filter(~(here & is_late))["drop_pa"].to_numpy().min() > 0.1 * 6e5
    assert frames.solenoids.height == truth.pulses.height
    raised = frames.analogue["dp_pa"].to_numpy() - healthy.analogue["dp_pa"].to_numpy()
    assert np.abs(raised[: 4 * 3600]).max() == 0.0
    # One of 24 rows lost: dp goes up, and never by more than that row's whole share of the cloth.
    end_dp = healthy.analogue["dp_pa"][-1]
    assert 0.0 < raised[-1] < end_dp / 23.0


def test_step_in_residual_drag_raises_dp_by_its_share() -> None:
    plan = replace(TIMED, gas=STEADY)
    healthy, _ = run(plan)
    fault = RisingBaselineDp(start=START + timedelta(hours=6), step_frac=0.35)
    frames, _ = run(plan, fault)
    raised = frames.analogue["dp_pa"].to_numpy() - healthy.analogue["dp_pa"].to_numpy()
    velocity = STEADY.load_frac * STEADY.design_flow_m3_s / plan.fabric.area_m2
    assert raised[: 6 * 3600 - 1].max() == 0.0
    # Rows with much cake weigh less in the parallel sum, so a little less than S_e alone says.
    assert raised[-1] == pytest.approx(0.35 * plan.fabric.residual_drag_pa_s_m * velocity, rel=0.03)


@pytest.mark.parametrize("plan", [DEMAND, TIMED], ids=["on_demand", "on_time"])
def test_no_cleaning_and_no_dp_in_a_planned_stop(plan: BaghousePlan) -> None:
    first, last = START + timedelta(hours=9), START + timedelta(hours=14)
    gas = replace(plan.gas, stops=(PlannedStop(start=first, end=last),))
    frames, truth = run(replace(plan, gas=gas))
    stopped = frames.analogue.filter(pl.col("time").is_between(first, last))
    assert stopped["dp_pa"].abs().max() == 0.0
    assert stopped["flow_m3_s"].max() == 0.0
    assert truth.pulses.filter(pl.col("time").is_between(first, last)).height == 0
    assert stopped["inlet_temperature_c"][-1] < 60.0 < stopped["inlet_temperature_c"][0]
    assert frames.analogue["inlet_temperature_c"][-1] > 150.0
    assert truth.pulses.filter(pl.col("time") > last + timedelta(minutes=30)).height > 100


def test_uneven_compartments_take_turns_and_miss_no_row() -> None:
    order = CleaningPlan(firing_order=(1, 3, 2))
    plan = replace(DEMAND, rows_per_compartment=(3, 2), cleaning=order)
    assert plan.sequence == ((1, 1), (2, 1), (1, 3), (2, 2), (1, 2))


def test_drag_that_is_not_a_number_is_refused() -> None:
    with pytest.raises(ArithmeticError, match="finite"):
        grown_drag(np.array([4e4, np.nan]), np.array(10.0))
    with pytest.raises(ArithmeticError, match="finite"):
        grown_rows([4e4, np.nan], 10.0)


def test_header_and_sequence_go_on_over_midnight() -> None:
    slow = replace(TIMED, header=HeaderPlan(tau_s=30.0))
    _, truth = simulate(slow, start=START, days=2, seed=3)
    midnight = START + timedelta(days=1)
    first = truth.pulses.filter(pl.col("time") >= midnight).head(24)
    last = truth.pulses.filter(pl.col("time") < midnight).tail(24)
    assert first.select("compartment", "row").rows() == last.select("compartment", "row").rows()
    # A refill this slow keeps the header far below its supply; a rested header would not be.
    assert first["before_pa"].to_numpy() == pytest.approx(last["before_pa"].to_numpy(), rel=0.06)
    assert last["before_pa"].to_numpy().max() < 5.0e5
    assert (first["time"][0] - last["time"][-1]).total_seconds() < 10.03


def test_plan_that_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="firing_order"):
        replace(DEMAND, cleaning=CleaningPlan(firing_order=(1, 2, 3)))
    with pytest.raises(ValueError, match="stop_dp_pa"):
        replace(DEMAND, cleaning=CleaningPlan(start_dp_pa=900.0, stop_dp_pa=1000.0))
    with pytest.raises(ValueError, match="interval_s"):
        replace(DEMAND, cleaning=CleaningPlan(interval_s=1.0))
