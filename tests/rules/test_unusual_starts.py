"""Starts against the site's own usual ones, on hand-made days."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from helpers.gas_days import (
    DAY,
    DAY_S,
    FLOW,
    TEMPERATURE,
    Signals,
    cold_start,
    gas_day,
    house,
)
from helpers.scene_answers import ask, value_of
from helpers.scenes import history_of

from rowcall.model import Answer, Fact, History, Lack, Signal, Urgency, Verdict
from rowcall.site import UnitsTable

RULE = "unusual_starts"
USUAL = {Fact.START_MIN: 60.0, Fact.START_RAMP_K_MIN: 3.0, Fact.N_STARTS: 1.0}
RAMP = 32 * (1 - math.exp(-300 / 1800))  # K/min, of `cold_start` with a time constant of 1800 s


def judged(signals: Signals, days: int = 14, **usual: float) -> Answer:
    past = USUAL | {Fact[name]: value for name, value in usual.items()}
    history = history_of({fact: (value,) * days for fact, value in past.items()}, DAY)
    (answer,) = ask(RULE, gas_day(house(), signals, history)).values()
    return answer


def halts(n: int) -> Signals:
    """Warm gas all day that stands n times for half an hour."""
    at = np.arange(0.0, DAY_S, 10.0)
    flow = np.where((at % (DAY_S / n) > 3600) & (at % (DAY_S / n) < 5400), 0.0, 10.0)
    return {
        place: Signal(at, value, bridge_s=60.0)
        for place, value in ((FLOW, flow), (TEMPERATURE, np.full(at.size, 180.0)))
    }


# 1. Found.


@pytest.mark.parametrize(("n", "usual", "is_found"), [(3, 2, True), (2, 1, False), (3, 3, False)])
def test_more_starts_than_usual_are_watched(n: int, usual: float, is_found: bool) -> None:
    answer = judged(halts(n), N_STARTS=usual)
    assert value_of(answer, "starts") == n
    assert (answer.urgency is Urgency.WATCH) is is_found


@pytest.mark.parametrize(("share", "is_found"), [(1.45, False), (1.55, True)])
def test_a_start_warmed_faster_than_usual_is_watched(share: float, is_found: bool) -> None:
    """RAMP in closed form: 160 K towards 180 degC, over 5 minutes from the first gas."""
    answer = judged(cold_start(10.0, heating_s=1800.0), START_RAMP_K_MIN=RAMP / share)
    assert value_of(answer, "fastest") == pytest.approx(RAMP, rel=0.02)
    assert (answer.urgency is Urgency.WATCH) is is_found


def test_slow_warming_is_never_fast() -> None:
    slow = cold_start(10.0, heating_s=3200.0)  # 2.9 K/min
    assert judged(slow, START_RAMP_K_MIN=0.5, START_MIN=150.0).verdict is Verdict.CLEAR


@pytest.mark.parametrize(("usual_min", "is_found"), [(100.4 / 1.45, False), (100.4 / 1.55, True)])
def test_a_start_longer_than_usual_is_watched(usual_min: float, is_found: bool) -> None:
    """Up to 150 degC (`running_temperature`): 3600 s * ln(160 / 30) = 100.4 min."""
    answer = judged(cold_start(10.0), START_MIN=usual_min)
    assert value_of(answer, "longest") == pytest.approx(6026, abs=60)
    assert (answer.verdict is Verdict.FOUND) is is_found
    if is_found:
        assert (
            "a start took 101 min, seldom more than 65 min before".casefold()
            in answer.text.casefold()
        )


@pytest.mark.parametrize(("usual_min", "is_found"), [(27.0, False), (19.0, True)])
def test_less_than_half_an_hour_longer_is_not_slow(usual_min: float, is_found: bool) -> None:
    """50.2 min."""
    answer = judged(cold_start(10.0, heating_s=1800.0), START_MIN=usual_min, START_RAMP_K_MIN=9.0)
    assert (answer.verdict is Verdict.FOUND) is is_found


# 2. Healthy.


def test_a_usual_start_is_clear_and_named_with_its_time() -> None:
    answer = judged(cold_start(10.0), START_MIN=100.0)
    assert answer.verdict is Verdict.CLEAR
    assert "1 start (13:53)" in answer.text


# 3. Look-alikes.


def test_a_start_after_a_long_halt_is_usual_where_such_halts_are() -> None:
    """Half of the earlier ones came after short halts: slower warming, and soon over."""
    days = 10
    history = [
        history_of({fact: (low, high) * (days // 2)}, DAY).facts
        for fact, low, high in (
            (Fact.START_RAMP_K_MIN, RAMP / 3, RAMP / 1.2),
            (Fact.START_MIN, 20.0, 45.0),
            (Fact.N_STARTS, 1.0, 1.0),
        )
    ]
    day = gas_day(house(), cold_start(10.0, heating_s=1800.0), History(pl.concat(history)))
    (answer,) = ask(RULE, day).values()
    assert answer.verdict is Verdict.CLEAR


def test_a_day_without_start_is_clear() -> None:
    flow = np.full(8640, 10.0)
    at = np.arange(0.0, DAY_S, 10.0)
    answer = judged({FLOW: Signal(at, flow)})
    assert (answer.verdict, answer.text) == (Verdict.CLEAR, "As usual: no start.")


def test_a_short_dip_is_no_start() -> None:
    day = halts(3)
    at = day[FLOW].time_s
    dips = np.where(at % 10_000 < 240, 0.0, 10.0)
    answer = judged({**day, FLOW: Signal(at, dips, bridge_s=60.0)}, N_STARTS=0.0)
    assert value_of(answer, "starts") == 0


# 4. Thin data.


@pytest.mark.parametrize(("days", "verdict"), [(4, Verdict.CANNOT_TELL), (5, Verdict.FOUND)])
def test_what_is_usual_takes_five_days_with_a_start(days: int, verdict: Verdict) -> None:
    answer = judged(cold_start(10.0), days=days, START_MIN=20.0)
    assert answer.verdict is verdict
    assert (answer.lack is Lack.HISTORY) is (verdict is Verdict.CANNOT_TELL)


@pytest.mark.parametrize(("days", "is_found"), [(13, False), (14, True)])
def test_a_usual_count_takes_two_weeks(days: int, is_found: bool) -> None:
    assert (judged(halts(4), days=days).verdict is Verdict.FOUND) is is_found


def test_without_gas_nothing_is_counted() -> None:
    (answer,) = ask(RULE, gas_day(house(), {TEMPERATURE: cold_start(10.0)[TEMPERATURE]})).values()
    assert answer.verdict is Verdict.CANNOT_TELL


# 5. Invariance.


def test_units_and_sampling_do_not_matter() -> None:
    history = history_of({fact: (value / 2,) * 14 for fact, value in USUAL.items()}, DAY)
    day = gas_day(house(), cold_start(10.0, heating_s=1800.0), history)
    (base,) = ask(RULE, day).values()
    us = UnitsTable.model_validate({"temperature": "[degF]"}).scales
    (fahrenheit,) = ask(RULE, replace(day, units=us)).values()
    assert "4.9 K a minute" in base.text
    assert "8.8 °F a minute" in fahrenheit.text
    assert fahrenheit.values == base.values
    (finer,) = ask(RULE, gas_day(house(), cold_start(1.0, heating_s=1800.0), history)).values()
    assert finer.verdict is base.verdict
