"""Seeded faults as they show in frames and truth, determinism, and the days of the truth file."""

from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest
from helpers.plant_days import simulate

from rowcall_plant import (
    BaghousePlan,
    FabricPlan,
    Fault,
    Frames,
    GasPlan,
    HeaderLeak,
    HeaderPlan,
    PlannedStop,
    RowDrawnOut,
    RowFaint,
    RowIntermittent,
    RowNotCalled,
    RowSilent,
    SlowHeaderRecovery,
    TagFrozen,
    TemperatureExcursion,
    Truth,
    fault_record,
    healthy_days,
)

START = datetime(2026, 2, 13, 23, tzinfo=UTC)  # midnight in Europe/Vienna
PLAN = BaghousePlan(
    id="BH1",
    name="Trial filter",
    fabric=FabricPlan(area_m2=1008.0),
    gas=GasPlan(design_flow_m3_s=60_000.0 / 3600.0),
)
ZONE = PLAN.time_zone


@cache
def run(*faults: Fault, days: int = 1, seed: int = 3) -> tuple[Frames, Truth]:
    return simulate(PLAN, faults, start=START, days=days, seed=seed)


def same(one: tuple[Frames, Truth], other: tuple[Frames, Truth]) -> bool:
    return (
        one[0].analogue.equals(other[0].analogue)
        and one[0].switches.equals(other[0].switches)
        and one[0].solenoids.equals(other[0].solenoids)
        and one[1].pulses.equals(other[1].pulses)
    )


def test_same_seed_same_data_other_seed_other_data() -> None:
    assert same(run(days=2), run.__wrapped__(days=2))
    assert not same(run(), run(seed=4))


def test_a_fault_changes_nothing_before_it_starts() -> None:
    fault = RowDrawnOut(start=START + timedelta(hours=12), compartment=2, row=4)
    healthy, faulty = run()[0].analogue, run(fault)[0].analogue
    before = pl.col("time") < fault.start
    assert healthy.filter(before).equals(faulty.filter(before))
    assert not healthy.equals(faulty)


def test_drawn_out_row_is_deep_late_and_alone() -> None:
    fault = RowDrawnOut(start=START, compartment=2, row=4, late_s=1.0)
    _, truth = run(fault)
    here = (pl.col("compartment") == 2) & (pl.col("row") == 4)
    mine, others = truth.pulses.filter(here), truth.pulses.filter(~here)
    assert mine["drop_pa"].to_numpy().min() > 1.3 * others["drop_pa"].to_numpy().max()
    assert mine["minimum_after_s"].to_numpy() == pytest.approx(1.15, abs=1e-6)
    assert others["minimum_after_s"].to_numpy() == pytest.approx(0.15, abs=1e-6)


def test_a_refill_that_outruns_a_hanging_valve_has_its_minimum_before() -> None:
    plan = replace(PLAN, header=HeaderPlan(tau_s=0.5))
    fault = RowDrawnOut(start=START, compartment=2, row=4, late_s=1.0, late_flow_frac=0.1)
    _, truth = simulate(plan, [fault], start=START, days=1, seed=3)
    _, healthy = simulate(plan, start=START, days=1, seed=3)
    here = (pl.col("compartment") == 2) & (pl.col("row") == 4)
    mine, usual = (table.pulses.filter(here) for table in (truth, healthy))
    assert mine["minimum_after_s"].to_numpy() == pytest.approx(0.15, abs=1e-6)
    assert mine["drop_pa"].to_numpy() == pytest.approx(usual["drop_pa"].to_numpy(), rel=1e-6)


def test_slow_recovery_of_one_compartment_leaves_the_other_alone() -> None:
    fault = SlowHeaderRecovery(start=START + timedelta(hours=8), compartment=2, tau_factor=2.0)
    _, truth = run(fault)
    late = pl.col("time") >= fault.start
    tau = truth.pulses.group_by("compartment", late.alias("late")).agg(
        pl.col("tau_s").min().alias("low"), pl.col("tau_s").max().alias("high")
    )
    assert (tau["low"] == tau["high"]).all()
    level = {(c, is_late): low for c, is_late, low, _ in tau.iter_rows()}
    assert level[1, True] == level[1, False]
    assert level[2, True] == pytest.approx(2.0 * level[2, False])


def test_supply_shortage_keeps_its_plant_local_hours() -> None:
    fault = SlowHeaderRecovery(
        start=START, tau_factor=2.2, sag_frac=0.06, daily_hours=(time(6), time(10))
    )
    frames, truth = run(fault)
    healthy, _ = run()
    hour = pl.col("time").dt.convert_time_zone(ZONE).dt.hour()
    slow = truth.pulses.filter(pl.col("tau_s") > 4.0)
    assert set(slow.select(hour).to_series()) == {6, 7, 8, 9}
    assert set(slow["compartment"]) == {1, 2}
    assert truth.pulses.filter(hour.is_in([6, 7, 8, 9])).height == slow.height
    ratio = frames.analogue["header_1_pa"] / healthy.analogue["header_1_pa"]
    lost = frames.analogue.select(hour.alias("hour"), ratio.alias("ratio"))
    assert lost.filter(pl.col("hour") == 8)["ratio"].median() == pytest.approx(0.94, abs=0.005)
    assert lost.filter(pl.col("hour") == 3)["ratio"].median() == pytest.approx(1.0, abs=1e-9)


def test_excursion_spends_the_stated_minutes_above_each_limit() -> None:
    # Aromatic polyamide 204 degC continuous, 218 degC surge: APTI SI:412A Lesson 4, Table 4-1.
    fault = TemperatureExcursion(
        start=START + timedelta(hours=14),
        continuous_c=204.0,
        surge_c=218.0,
        above_min=25.0,
        surge_min=4.0,
    )
    inlet = run(fault)[0].analogue["inlet_temperature_c"].to_numpy()
    assert np.sum(inlet > 204.0) / 60.0 == pytest.approx(25.0, abs=0.4)
    assert np.sum(inlet > 218.0) / 60.0 == pytest.approx(4.0, abs=0.2)
    assert run()[0].analogue["inlet_temperature_c"].to_numpy().max() < 190.0


def test_frozen_tag_keeps_its_value_over_midnight() -> None:
    first, last = START + timedelta(hours=20), START + timedelta(hours=30)
    frames, _ = run(TagFrozen(start=first, end=last, column="dp_pa"), days=2)
    dp = frames.analogue["dp_pa"].to_numpy()
    healthy = run(days=2)[0].analogue["dp_pa"].to_numpy()
    held = np.arange(20 * 3600, 30 * 3600)
    assert np.all(dp[held] == healthy[held[0]])
    free = np.setdiff1d(np.arange(len(dp)), held)
    assert np.array_equal(dp[free], healthy[free])


def test_solenoid_clock_may_differ_from_the_pressure_clock() -> None:
    late = replace(PLAN, solenoid_clock_offset_s=1.25)
    frames, truth = simulate(late, start=START, days=1, seed=3)
    apart = frames.solenoids["time"] - truth.pulses["time"]
    assert apart.dt.total_microseconds().unique().to_list() == [1_250_000]


def test_opacity_shows_puffs_and_the_daily_zero_and_span_check() -> None:
    frames, truth = simulate(replace(PLAN, noise_scale=0.0), start=START, days=1, seed=3)
    opacity = frames.analogue["opacity_frac"].to_numpy()
    check = np.flatnonzero(opacity == 0.0)
    assert (check[0], check[-1] + 1) == (9000, 9090)  # 02:30 plant-local, for 90 s
    assert np.all(opacity[9090:9180] == 0.40)
    fired = (truth.pulses["time"] - START).dt.total_microseconds().to_numpy() / 1e6
    second = np.ceil(fired).astype(int)
    alone = second[(np.diff(fired, prepend=-1e3) > 60.0) & (second > 9300)]
    assert np.all(opacity[alone + 3] - opacity[alone] > 0.004)


def test_outlet_follows_the_inlet_later() -> None:
    fault = TemperatureExcursion(
        start=START + timedelta(hours=14), continuous_c=204.0, surge_c=218.0, above_min=20.0
    )
    frames = run(fault)[0].analogue
    top = [frames[f"{side}_temperature_c"].arg_max() or 0 for side in ("inlet", "outlet")]
    assert top[1] - top[0] == pytest.approx(PLAN.gas.outlet_lag_s, abs=30.0)


def test_truth_names_scope_and_full_days() -> None:
    fault = RowSilent(start=datetime(2026, 2, 23, 9, 20, tzinfo=UTC), compartment=1, row=7)
    record = fault_record(fault, "BH1", ZONE, date(2026, 3, 15))
    assert record["rule"] == "row_silent"
    assert (record["scope"], record["compartment"], record["row"]) == ("row", 1, 7)
    assert (record["start"], record["end"]) == ("2026-02-23T09:20:00Z", None)
    assert record["first_full_day"] == "2026-02-24"
    assert record["last_full_day"] == "2026-03-15"


@pytest.mark.parametrize(
    ("start_h", "end_h", "first", "last"),
    [
        (0, 48, "2026-02-14", "2026-02-15"),  # midnight to midnight
        (1, 48, "2026-02-15", "2026-02-15"),
        (1, 49, "2026-02-15", "2026-02-15"),
    ],
)
def test_full_days_at_their_edges(start_h: int, end_h: int, first: str, last: str) -> None:
    hours = [START + timedelta(hours=h) for h in (start_h, end_h)]
    fault = SlowHeaderRecovery(start=hours[0], end=hours[1], compartment=2)
    record = fault_record(fault, "BH1", ZONE, date(2026, 3, 15))
    assert record["scope"] == "compartment"
    assert (record["first_full_day"], record["last_full_day"]) == (first, last)


def test_healthy_days_are_those_no_fault_touches() -> None:
    days = [date(2026, 2, 14) + timedelta(days=n) for n in range(5)]
    fault = SlowHeaderRecovery(
        start=START + timedelta(hours=30), end=START + timedelta(hours=72), compartment=2
    )
    assert healthy_days([fault], days, ZONE) == [days[0], days[3], days[4]]


def at_row(compartment: int, row: int) -> pl.Expr:
    return (pl.col("compartment") == compartment) & (pl.col("row") == row)


def test_a_faint_row_draws_its_share_and_is_called_like_the_others() -> None:
    _, healthy = run()
    _, truth = run(RowFaint(start=START, compartment=1, row=5, drop_share=0.4))
    mine, usual = (t.pulses.filter(at_row(1, 5)) for t in (truth, healthy))
    # The header is fuller after a shallow drop, so only the share of the pressure before is exact.
    share = (mine["drop_pa"] / mine["before_pa"]) / (usual["drop_pa"] / usual["before_pa"])
    assert share.to_numpy() == pytest.approx(0.4, rel=1e-9)
    assert mine["time"].equals(usual["time"])


def test_an_intermittent_row_is_shut_one_time_in_n_by_chance() -> None:
    fault = RowIntermittent(start=START, compartment=2, row=3, one_in=3, seed=8)
    frames, truth = run(fault, days=2)
    mine = truth.pulses.filter(at_row(2, 3))
    shut = (mine["drop_pa"] == 0.0).to_numpy()
    n = len(shut)
    assert n > 100
    assert abs(shut.mean() - 1 / 3) < 4 * np.sqrt(2 / 9 / n)  # four standard errors
    assert 0.2 < np.mean(shut[1:] == shut[:-1]) < 0.9  # no fixed pattern
    assert truth.pulses.filter(~at_row(2, 3))["drop_pa"].to_numpy().min() > 0.0
    assert frames.solenoids.filter(at_row(2, 3)).height == n
    other = run(replace(fault, seed=9), days=2)[1].pulses.filter(at_row(2, 3))
    assert not np.array_equal(shut, (other["drop_pa"] == 0.0).to_numpy()[:n])


def test_a_row_that_was_mended_answers_as_before() -> None:
    fault = RowSilent(
        start=START + timedelta(hours=2), end=START + timedelta(hours=12), compartment=1, row=7
    )
    mine, usual = (truth.pulses.filter(at_row(1, 7)) for _, truth in (run(fault), run()))
    since = pl.col("time") >= fault.end
    assert mine.filter((pl.col("time") >= fault.start) & ~since)["drop_pa"].max() == 0.0
    answered = mine.filter(since)
    assert answered.height > 10
    drop, sound = (table["drop_pa"] / table["before_pa"] for table in (answered, usual))
    assert drop.median() == pytest.approx(sound.median(), rel=0.02)
    assert drop.to_numpy().min() > 0.9 * sound.to_numpy().min()


def test_a_row_not_called_leaves_no_trace_and_the_others_go_on() -> None:
    fault = RowNotCalled(start=START + timedelta(hours=12), compartment=1, row=7)
    frames, truth = run(fault)
    late = pl.col("time") >= fault.start
    assert truth.pulses.filter(at_row(1, 7) & late).height == 0
    assert frames.solenoids.filter(at_row(1, 7) & late).height == 0
    assert truth.pulses.filter(at_row(1, 7) & ~late).height > 5
    counted = frames.switches.filter((pl.col("signal") == "last_row_1") & late)
    assert set(counted["value"]) == set(range(1, 13)) - {7}
    called = truth.pulses.filter(late).group_by("compartment", "row").len()
    assert called.height == 23


def test_a_plant_of_which_no_row_is_called_is_refused() -> None:
    faults = [RowNotCalled(start=START, compartment=c, row=r) for c, r in PLAN.rows]
    with pytest.raises(ValueError, match="no row for the controller"):
        run(*faults)


def test_a_leaking_header_stands_lower_and_decays_without_supply() -> None:
    stop = PlannedStop(start=START + timedelta(hours=9), end=START + timedelta(hours=14))
    plan = replace(PLAN, noise_scale=0.0, gas=replace(PLAN.gas, stops=(stop,)))
    off = (START + timedelta(hours=10), START + timedelta(hours=11))
    leak = HeaderLeak(start=START + timedelta(hours=2), compartment=1, leak_1_s=0.05, air_off=off)
    healthy, _ = simulate(plan, start=START, days=1, seed=3)
    leaking, truth = simulate(plan, [leak], start=START, days=1, seed=3)
    assert leaking.analogue["header_2_pa"].equals(healthy.analogue["header_2_pa"])
    share = (leaking.analogue["header_1_pa"] / healthy.analogue["header_1_pa"]).to_numpy()
    assert share[: 2 * 3600] == pytest.approx(1.0)
    tau_s = float(truth.pulses.filter(pl.col("compartment") == 1)["tau_s"][0])  # before the leak
    # At rest supply and leak balance: (p_s - p) / tau = leak p.
    assert share[9 * 3600 + 1800] == pytest.approx(1 / (1 + 0.05 * tau_s), rel=1e-6)
    without = leaking.analogue["header_1_pa"].to_numpy()[10 * 3600 + 1 : 10 * 3600 + 60]
    supply = healthy.analogue["header_1_pa"].to_numpy()[10 * 3600 + 1 : 10 * 3600 + 60]
    assert np.diff(np.log(without / supply)) == pytest.approx(-0.05, rel=1e-6)
