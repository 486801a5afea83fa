"""Drag of a day against its own form: S = S_e + K2 W, as in EPA/452/B-02-001 (from memory)."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rowcall.events.filter.cycle_drag import (
    Filtered,
    cake_per_pulse,
    drag_on_demand,
    drag_on_time,
    filtered,
)
from rowcall.gas.viscosity import viscosity_ratio
from rowcall.model import Floats, Signal

DAY_S = 86_400.0
CLEAN, GROWTH = 40.0, 7e-4  # Pa.s/m3, Pa.s/m6
CYCLE_S, CLEANING_S = 1200.0, 120.0


def gas(swing: float = 0.3, moving_c: float = 0.0) -> tuple[Floats, Floats, pl.DataFrame]:
    """Return seconds, flow [m3/s] and the minute table of a day whose load and heat swing."""
    at = np.arange(DAY_S)
    wave = np.sin(2 * np.pi * at / 7200.0)
    flow, inlet = 15.0 * (1 + swing * wave), 150.0 + moving_c * wave
    means = (one.reshape(-1, 60).mean(1) for one in (flow, inlet))
    columns = dict(zip(("gas_flow_m3_s", "inlet_temperature_c"), means, strict=True))
    table = pl.DataFrame({"minute": np.arange(1440), **columns, "on_line_frac": np.ones(1440)})
    return at, flow, table


def cycles() -> pl.DataFrame:
    start = np.arange(0.0, DAY_S - CYCLE_S, CYCLE_S)
    spans = {"start_s": start, "clean_end_s": start + CLEANING_S, "end_s": start + CYCLE_S}
    return pl.DataFrame(spans)


def sawtooth(at: Floats, flow: Floats) -> Floats:
    """DP over flow: clean at the end of each cleaning, growing with the gas filtered since."""
    filtered_m3 = np.concatenate(([0.0], np.cumsum(flow)[:-1]))
    since = np.clip(np.floor((at - CLEANING_S) / CYCLE_S) * CYCLE_S + CLEANING_S, 0, None)
    return np.asarray(CLEAN + GROWTH * (filtered_m3 - filtered_m3[since.astype(int)]))


@pytest.mark.parametrize("swing", [0.0, 0.3])
@pytest.mark.parametrize("step_s", [1, 10])
def test_a_cycle_gives_back_its_drag_and_growth(swing: float, step_s: int) -> None:
    at, flow, minutes = gas(swing)
    rng = np.random.default_rng(3)
    ratio = float(viscosity_ratio(150.0))
    dp = sawtooth(at, flow) * flow * ratio + rng.normal(0, 5.0, at.size)
    found = drag_on_demand(cycles(), known(Signal(at[::step_s], dp[::step_s]), minutes))
    assert found.clean == pytest.approx(CLEAN, rel=0.01)
    assert found.growth == pytest.approx(GROWTH, rel=0.02)
    assert 0 < found.clean_error < 0.01 * CLEAN


def known(dp: Signal, minutes: pl.DataFrame) -> Filtered:
    series = filtered(dp, minutes)
    assert series is not None
    return series


def test_hot_gas_is_no_dirtier_cloth() -> None:
    """Viscosity of 220 degC is a tenth above that of 150 degC; the cloth is the same."""
    at, flow, minutes = gas(swing=0.0, moving_c=70.0)
    inlet = 150.0 + 70.0 * np.sin(2 * np.pi * at / 7200.0)
    dp = sawtooth(at, flow) * flow * viscosity_ratio(inlet)
    found = drag_on_demand(cycles(), known(Signal(at, dp), minutes))
    assert found.clean == pytest.approx(CLEAN, rel=0.01)


def test_a_compartment_off_line_is_no_dirtier_cloth() -> None:
    """Half the cloth takes the same gas: twice the velocity, twice the drop."""
    at, flow, minutes = gas(swing=0.0)
    half = minutes.with_columns(on_line_frac=pl.lit(0.5))
    dp = 2 * sawtooth(at, flow) * flow * float(viscosity_ratio(150.0))
    found = drag_on_demand(cycles(), known(Signal(at, dp), half))
    # Twice the gas for each piece of cloth: its growth counts the gas through all of it.
    assert found.clean == pytest.approx(CLEAN, rel=0.01)
    assert found.growth == pytest.approx(GROWTH / 2, rel=0.02)


def test_cleaning_by_the_clock_gives_foot_and_rise() -> None:
    """Ten rows, one each 20 s: DP falls at each pulse by what the dust of one interval adds."""
    at, flow, minutes = gas(swing=0.2)
    gas_m3 = np.cumsum(flow)
    pulses = np.arange(10.0, DAY_S, 20.0)
    since = np.maximum(np.searchsorted(pulses, at, side="right") - 1, 0)
    per_flow = CLEAN + GROWTH * (gas_m3 - gas_m3[pulses[since].astype(int)])
    rng = np.random.default_rng(4)
    dp = per_flow * flow * float(viscosity_ratio(150.0)) + rng.normal(0, 3.0, at.size)
    start = np.arange(10.0, DAY_S - 400, 200.0)
    passes = pl.DataFrame({"start_s": start, "clean_end_s": start + 200, "end_s": start + 200})
    found = drag_on_time(passes, known(Signal(at, dp), minutes), pulses)
    assert found.clean == pytest.approx(CLEAN, rel=0.01)
    assert found.growth == pytest.approx(GROWTH, abs=3 * found.growth_error)
    assert found.growth_error < 0.1 * GROWTH


def test_without_flow_there_is_no_drag() -> None:
    at, _, minutes = gas()
    assert filtered(Signal(at, at), minutes.drop("gas_flow_m3_s")) is None


@pytest.mark.parametrize("dust", [1.0, 1.5])
def test_a_pulse_takes_off_what_a_cycle_gains(dust: float) -> None:
    """12 pulses in 120 s take off 3 Pa each, while dust goes on to raise DP; whatever the dust."""
    rate = dust * 0.02  # [Pa/s] all the time
    taken = 12 * 3.0
    cycle_s = taken / rate
    start = np.arange(5) * cycle_s
    cycles = pl.DataFrame(
        {
            "start_s": start,
            "clean_end_s": start + CLEANING_S,
            "end_s": start + cycle_s,
            "peak_dp_pa": np.full(5, 1200.0),
            "residual_dp_pa": np.full(5, 1200.0 - taken + rate * CLEANING_S),
            "n_pulses": np.full(5, 12),
        }
    )
    assert cake_per_pulse(cycles) == pytest.approx(3.0)
    assert np.isnan(cake_per_pulse(cycles.head(2)))


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_points_with_next_to_no_gas_have_no_drag() -> None:
    at, _, minutes = gas()
    rest = pl.when(pl.col("minute") < 700).then(1e-310).otherwise("gas_flow_m3_s")
    series = filtered(Signal(at, np.full(at.size, 900.0)), minutes.with_columns(gas_flow_m3_s=rest))
    assert series is not None
    assert series.time_s[0] == pytest.approx(700 * 60, abs=60)
    assert np.isfinite(series.per_flow).all()
