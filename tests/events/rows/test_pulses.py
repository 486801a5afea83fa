"""Measured pulses against the simulator's truth, pulse by pulse and row by row."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl
import pytest
from helpers.scenes import Studied, exports, kiln, local, on_time, study

from rowcall.events.rows.pulses import PULSE_COLUMNS
from rowcall_plant import BaghousePlan, Fault, RowDrawnOut, RowSilent


def scene(
    plan: BaghousePlan | None = None,
    faults: Sequence[Fault] = (),
    step_s: int = 1,
    hours: int = 24,
) -> Studied:
    return study(exports(plan or kiln(), faults, step_s=step_s, seed=5, hours=hours)[0])


def against_truth(studied: Studied) -> pl.DataFrame:
    """Join measured pulses and true ones, call by call; both know every call."""
    start = studied.day.start
    truth = studied.truth.pulses.select(
        "compartment",
        "row",
        true_s=(pl.col("time") - start).dt.total_microseconds() / 1e6,
        true_before=pl.col("before_pa"),
        true_drop=pl.col("drop_pa"),
        true_tau=pl.col("tau_s"),
        true_after=pl.col("minimum_after_s"),
    ).sort("compartment", "row", "true_s")
    truth = truth.filter(pl.col("true_s") > 0)  # a bit that is on at midnight did not rise today
    pulses = studied.day.pulses.sort("compartment", "row", "time_s")
    assert pulses.height == truth.height
    return pl.concat([pulses, truth.drop("compartment", "row")], how="horizontal")


def by_row(table: pl.DataFrame) -> pl.DataFrame:
    medians = [pl.col(name).median() for name in ("drop_pa", "tau_s", "true_drop", "true_tau")]
    return table.group_by("compartment", "row").agg(*medians, pl.col("min_delay_s").mean())


@pytest.fixture(scope="module")
def healthy() -> pl.DataFrame:
    return against_truth(scene(hours=12))


def test_every_call_has_its_line_at_its_instant(healthy: pl.DataFrame) -> None:
    assert list(healthy.columns[: len(PULSE_COLUMNS)]) == list(PULSE_COLUMNS)
    late = (healthy["time_s"] - healthy["true_s"]).abs()
    assert late.max() == pytest.approx(0.0, abs=6e-4)  # the historian keeps milliseconds
    assert healthy["answered"].all()


def test_pressure_before_a_pulse(healthy: pl.DataFrame) -> None:
    error = healthy["before_pa"] - healthy["true_before"]
    # Sensor noise of 2 kPa; the median of three leaves 1.4 kPa, the refill a little bias.
    assert abs(error.mean()) < 1500.0  # type: ignore[operator, arg-type]
    assert error.std() == pytest.approx(1400.0, rel=0.35)


def test_drop_and_time_constant_of_each_row(healthy: pl.DataFrame) -> None:
    rows = by_row(healthy)
    assert rows.height == 12
    drop = rows["drop_pa"] / rows["true_drop"] - 1
    tau = rows["tau_s"] / rows["true_tau"] - 1
    assert drop.abs().max() < 0.03, rows  # type: ignore[operator]
    assert tau.abs().max() < 0.05, rows  # type: ignore[operator]


def test_single_drops_are_good_to_a_tenth(healthy: pl.DataFrame) -> None:
    error = (healthy["drop_pa"] / healthy["true_drop"] - 1).abs()
    assert error.quantile(0.95) < 0.10  # type: ignore[operator]


def test_a_silent_row_does_not_answer_and_its_neighbours_do() -> None:
    fault = RowSilent(start=local(0), compartment=1, row=3)
    table = against_truth(scene(faults=[fault], hours=8))
    silent = table.filter((pl.col("compartment") == 1) & (pl.col("row") == 3))
    others = table.filter(~((pl.col("compartment") == 1) & (pl.col("row") == 3)))
    assert silent["true_drop"].max() == 0.0
    assert silent["answered"].to_list() == [False] * silent.height
    assert silent["tau_s"].null_count() == silent["min_delay_s"].null_count() == silent.height
    assert silent["drop_pa"].abs().max() < 1.5e4  # type: ignore[operator]
    assert others["answered"].all()


def test_a_drawn_out_row_is_deeper_and_later() -> None:
    fault = RowDrawnOut(start=local(0), compartment=2, row=4, late_s=1.0)
    rows = by_row(against_truth(scene(faults=[fault], hours=12)))
    mine = rows.filter((pl.col("compartment") == 2) & (pl.col("row") == 4)).row(0, named=True)
    peers = rows.filter((pl.col("compartment") == 2) & (pl.col("row") != 4))
    assert mine["drop_pa"] == pytest.approx(mine["true_drop"], rel=0.12)
    assert mine["drop_pa"] > 1.4 * float(peers["drop_pa"].max())  # type: ignore[arg-type]
    # True lateness 1 s; a second between samples blunts it.
    late = mine["min_delay_s"] - float(peers["min_delay_s"].median())  # type: ignore[arg-type]
    assert 0.3 < late < 1.2
    assert mine["tau_s"] == pytest.approx(mine["true_tau"], rel=0.1)


def test_fires_that_cannot_be_heard_keep_their_line() -> None:
    table = against_truth(scene(kiln(cleaning=on_time(6)), step_s=10, hours=6))
    unheard = table.filter(pl.col("answered").is_null())
    assert unheard.height > 0.3 * table.height
    for name in ("before_pa", "drop_pa", "min_delay_s", "tau_s", "recovered", "confidence"):
        assert unheard[name].null_count() == unheard.height
    assert unheard["row"].null_count() == 0


# Intervals and sampling periods, one header: what is heard is answered, the rest unheard.
@pytest.mark.parametrize("step_s", [1, 2, 3, 5, 10])
@pytest.mark.parametrize("interval_s", [4.0, 6.0, 10.0, 20.0])
def test_a_sound_row_is_never_taken_for_unanswered(interval_s: float, step_s: int) -> None:
    studied = scene(kiln(rows=(6,), cleaning=on_time(6, interval_s)), step_s=step_s, hours=4)
    answered = studied.day.pulses["answered"].drop_nulls()
    assert answered.len() == 0 or answered.mean() > 0.98  # type: ignore[operator]
    if step_s == 1:
        assert answered.len() > 0.3 * studied.day.pulses.height


@pytest.mark.parametrize(("step_s", "tolerance"), [(2, 0.03), (5, 0.06)])
def test_slower_sampling_still_measures_rows(step_s: int, tolerance: float) -> None:
    rows = by_row(against_truth(scene(kiln(cleaning=on_time(6, 20.0)), step_s=step_s, hours=12)))
    assert (rows["drop_pa"] / rows["true_drop"] - 1).abs().max() < tolerance  # type: ignore[operator]


def test_pulses_without_bits_are_found_as_drops() -> None:
    studied = study(exports(kiln(), drop=["row_solenoid"], seed=5, hours=12)[0])
    truth, pulses = studied.truth.pulses, studied.day.pulses
    assert studied.day.fires_known
    assert pulses.height == pytest.approx(truth.height, rel=0.01)
    assert all(studied.day.counts_places(compartment) for compartment in (1, 2))
    assert pulses["compartment"].value_counts(sort=True)["count"].to_list() == pytest.approx(
        truth["compartment"].value_counts(sort=True)["count"].to_list(), rel=0.01
    )
    tau, true_tau = pulses["tau_s"].median(), truth["tau_s"].median()
    assert tau == pytest.approx(true_tau, rel=0.05)


def test_pulses_not_made_good_before_the_next_are_told() -> None:
    # 95 % of a drop takes 3 tau = 6.6 s: made good within 12 s on each header, not within 5 s.
    slow, calm = (
        scene(kiln(rows=(6,), cleaning=on_time(6, interval_s)), hours=6)
        .day.pulses["recovered"]
        .drop_nulls()
        for interval_s in (5.0, 12.0)
    )
    assert slow.mean() < 0.05  # type: ignore[operator]
    assert calm.mean() > 0.95  # type: ignore[operator]
