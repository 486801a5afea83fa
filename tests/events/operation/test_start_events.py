"""Starts and stops against a day whose truth is known in closed form."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from helpers.gas_days import (
    ACID_C,
    DAY_S,
    FLOW,
    START_S,
    STOP_S,
    TEMPERATURE,
    WATER_C,
    Signals,
    cold_start,
    house,
)
from trials.keeping import dead_band, swinging_door

from rowcall.condition.minutes import minute_table
from rowcall.events.facts.operation import operation_facts
from rowcall.events.operation.gas_seconds import gas_seconds
from rowcall.events.operation.start_events import find_starts
from rowcall.model import Fact, Signal
from rowcall.site import Baghouse


def starts(baghouse: Baghouse, signals: Signals, pulses_s: tuple[float, ...] = ()) -> pl.DataFrame:
    gas = gas_seconds(baghouse, signals, DAY_S)
    return find_starts(gas, minute_table(baghouse, signals, DAY_S), np.array(pulses_s))


def facts(baghouse: Baghouse, signals: Signals) -> dict[Fact, float | None]:
    gas, minutes = gas_seconds(baghouse, signals, DAY_S), minute_table(baghouse, signals, DAY_S)
    lines = operation_facts(minutes, gas, starts(baghouse, signals))
    return {fact: None if v is None else float(str(v)) for _, _, fact, v in lines}


def warm_after_s(limit_c: float, heating_s: float) -> float:
    """Return when the gas passes a limit, since the start: closed form of the warming."""
    return heating_s * math.log(160.0 / (180.0 - limit_c))


@pytest.mark.parametrize("step_s", [1.0, 10.0, 60.0])
@pytest.mark.parametrize("heating_s", [900.0, 3600.0, 7200.0])
def test_minutes_below_the_dew_points_are_within_a_minute(step_s: float, heating_s: float) -> None:
    day = cold_start(step_s, heating_s=heating_s, phase_s=0.37 * step_s)
    start = starts(house(), day).filter(kind="start").row(0, named=True)
    assert start["water_s"] == pytest.approx(warm_after_s(WATER_C, heating_s), abs=60)
    assert start["acid_s"] == pytest.approx(warm_after_s(ACID_C, heating_s), abs=60)
    assert start["begin_s"] == pytest.approx(START_S, abs=60)
    found = facts(house(), day)
    assert found[Fact.COLD_GAS_MIN] == pytest.approx(warm_after_s(WATER_C, heating_s) / 60, abs=1)
    assert found[Fact.ACID_GAS_MIN] == pytest.approx(warm_after_s(ACID_C, heating_s) / 60, abs=1)
    assert found[Fact.N_STARTS] == 1


def test_a_start_tells_its_ramp_and_its_first_pulse() -> None:
    day = cold_start(1.0)
    events = starts(house(), day, pulses_s=(100.0, START_S + 700.0, START_S + 720.0))
    start = events.filter(kind="start").row(0, named=True)
    ramp = 160.0 * (1 - math.exp(-300 / 3600)) / 5
    assert start["ramp_k_min"] == pytest.approx(ramp, rel=0.02)
    assert start["first_pulse_s"] == pytest.approx(700.0, abs=2)


def recorded(
    keep: Callable[..., npt.NDArray[np.int64]] | None,
    *,
    step_s: float = 1.0,
    heating_s: float = 3600.0,
    digit: float = 0.1,
    noise_k: float = 0.3,
    ramp_s: float = 0.0,
) -> Signals:
    """Return the day with a thermocouple's noise and digits, its points thinned by `keep`."""
    day, rng = cold_start(step_s, heating_s=heating_s), np.random.default_rng(7)
    at, flow, inlet_c = day[FLOW].time_s, day[FLOW].value, day[TEMPERATURE].value
    up = np.clip((at - START_S) / ramp_s, 0, 1) if ramp_s else 1.0
    flow = np.where(at >= START_S, flow * up, flow) + rng.normal(0, 0.05, at.size) * (flow > 0)
    inlet_c = np.round((inlet_c + rng.normal(0, noise_k, at.size)) / digit) * digit
    if keep is None:
        return {FLOW: Signal(at, flow), TEMPERATURE: Signal(at, inlet_c)}
    few = {FLOW: keep(at, flow, 0.2), TEMPERATURE: keep(at, inlet_c, 1.0)}
    return {
        place: Signal(at[points], value[points], longest_hold_s=14_400, bridge_s=14_400)
        for (place, points), value in zip(few.items(), (flow, inlet_c), strict=True)
    }


def test_noise_about_a_dew_point_that_is_passed_slowly_costs_no_minutes() -> None:
    """Some seconds of it are warm minutes before the gas is, others cold minutes after."""
    day = recorded(None, heating_s=14_000.0, digit=1.0, noise_k=1.0)
    start = starts(house(), day).filter(kind="start").row(0, named=True)
    for name, limit_c in (("water", WATER_C), ("acid", ACID_C)):
        assert start[f"{name}_s"] == pytest.approx(warm_after_s(limit_c, 14_000.0), abs=60)


@pytest.mark.parametrize("step_s", [1.0, 60.0])
def test_a_fan_kept_by_exception_goes_on_just_before_its_point(step_s: float) -> None:
    """The point before, minutes ago, says that nothing had changed until then."""
    start = starts(house(), recorded(dead_band, step_s=step_s)).filter(kind="start")
    assert start["begin_s"][0] == pytest.approx(START_S, abs=step_s / 2 + 1)
    assert start["water_s"][0] == pytest.approx(warm_after_s(WATER_C, 3600.0), abs=60)


@pytest.mark.parametrize("ramp_s", [100.0, 900.0])
def test_a_fan_kept_by_slope_goes_on_along_the_line(ramp_s: float) -> None:
    start = starts(house(), recorded(swinging_door, ramp_s=ramp_s)).filter(kind="start")
    assert start["begin_s"][0] == pytest.approx(START_S + 0.2 * ramp_s, abs=5)


def test_a_short_cold_dip_is_as_long_as_it_was() -> None:
    """A mean over minutes would make it longer: cold gas weighs more than warm."""
    day = cold_start(1.0)
    warm = day[TEMPERATURE]
    is_dip = (warm.time_s >= 20_000) & (warm.time_s < 20_480)
    dipped = Signal(warm.time_s, np.where(is_dip, 20.0, warm.value))
    found = facts(house(), {**day, TEMPERATURE: dipped})[Fact.COLD_GAS_MIN]
    assert found == pytest.approx(8 + warm_after_s(WATER_C, 3600.0) / 60, abs=0.2)


def test_the_stop_before_it_is_an_event_of_its_own() -> None:
    kinds = starts(house(), cold_start(10.0))
    assert kinds["kind"].to_list() == ["stop", "start"]
    assert kinds["end_s"][0] == pytest.approx(STOP_S, abs=10)


def test_nothing_is_said_of_dew_points_that_the_site_file_does_not_give() -> None:
    plain = house(gas_moisture=None, gas_so3=None)
    assert starts(plain, cold_start(10.0))["water_s"].null_count() == 2
    assert not facts(plain, cold_start(10.0)).keys() & {Fact.COLD_GAS_MIN, Fact.ACID_GAS_MIN}


def test_a_start_of_unknown_temperature_has_no_minutes() -> None:
    day = cold_start(10.0)
    warm = day[TEMPERATURE]
    known = (warm.time_s < START_S - 100) | (warm.time_s > START_S + 5000)
    holed = Signal(warm.time_s[known], warm.value[known], bridge_s=60.0)
    start = starts(house(), {**day, TEMPERATURE: holed}).filter(kind="start").row(0, named=True)
    assert start["water_s"] is None
    assert facts(house(), {**day, TEMPERATURE: holed})[Fact.COLD_GAS_MIN] is None


def test_a_dip_of_the_flow_is_no_start() -> None:
    day = cold_start(10.0)
    flow = day[FLOW].value.copy()
    flow[(day[FLOW].time_s >= 70_000) & (day[FLOW].time_s < 70_200)] = 0.0
    dipped = Signal(day[FLOW].time_s, flow, bridge_s=60.0)
    assert facts(house(), {**day, FLOW: dipped})[Fact.N_STARTS] == 1


def test_gas_that_nothing_shows_is_not_counted() -> None:
    only_warm = {TEMPERATURE: cold_start(10.0)[TEMPERATURE]}
    assert gas_seconds(house(), only_warm, DAY_S) is None
    assert facts_names(only_warm) == {Fact.RUNNING_MIN}


def facts_names(signals: Signals) -> set[Fact]:
    minutes = minute_table(house(), signals, DAY_S)
    nothing = starts(house(), signals)
    return {fact for _, _, fact, _ in operation_facts(minutes, None, nothing)}
