"""Six-minute averages: counts of 40 CFR 60.13(h) and 60.2, exceedances, checks left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest
from helpers.dust_days import DAY_S, dust_day, dust_house
from helpers.scene_answers import ask

from rowcall.condition.state import State
from rowcall.events.dust.six_minutes import six_minute_averages
from rowcall.events.operation.dew_hours import DewHours
from rowcall.events.operation.gas_seconds import GasSeconds
from rowcall.model import Answer, BaghouseDay, Fact, Floats, Lack, Signal, Urgency, Verdict
from rowcall.site import Role

LOW = 0.05
NO_DEW = DewHours(np.full(24, np.nan), np.empty((0, 24)))
HOUR = 36_000  # [s] 10:00


def opacity(
    blocks: Mapping[int, float], step_s: float = 10.0, seed: int = 1
) -> tuple[Floats, Floats]:
    """Points of a day; blocks: level by the number of the six-minute period."""
    at = np.arange(0.0, DAY_S, step_s)
    level = np.full(240, LOW)
    for number, value in blocks.items():
        level[number] = value
    noise = 0.002 * np.random.default_rng(seed).standard_normal(at.size)
    return at, level[(at // 360).astype(int)] + noise


def opacity_day(
    at: Floats, value: Floats, *, stop_s: float = DAY_S, checks: Sequence[float] = (), **house: Any
) -> BaghouseDay:
    """checks: when a check began on days before."""
    seconds = np.arange(0.0, DAY_S + 10.0, 10.0)
    signals = {
        (Role.OPACITY, 0, 0): Signal(at, value),
        (Role.GAS_FLOW, 0, 0): Signal(seconds, np.where(seconds < stop_s, 10.0, 0.0)),
        (Role.DUST_SIGNAL, 0, 0): Signal(np.empty(0), np.empty(0)),
    }
    series = {(Fact.OPACITY_CHECK_S, (0, 0)): [*checks, 0.0]}
    given = {"opacity_limit": "20 %", "running_flow": "1 m3/s", **house}
    return dust_day(series, signals, dust_house(**given))


def judged(at: Floats, value: Floats, **more: Any) -> Answer:
    (answer,) = ask("opacity_above_limit", opacity_day(at, value, **more)).values()
    return answer


def numbers(answer: Answer) -> dict[str, float]:
    return {one.name: one.value for one in answer.values}


def test_a_day_has_240_periods_of_36_points_each_10_s() -> None:
    answer = judged(*opacity({}))
    assert answer.verdict is Verdict.CLEAR
    assert numbers(answer)["n_valid"] == numbers(answer)["n_periods"] == 240


@pytest.mark.parametrize(("step_s", "n_valid"), [(1.0, 240), (10.0, 240), (11.0, 0)])
def test_a_valid_average_takes_36_points(step_s: float, n_valid: int) -> None:
    at, value = opacity({}, step_s)
    flows = np.ones(86_400, np.bool_)
    gas = GasSeconds(flows, flows, *2 * (np.full(86_400, 150.0),), NO_DEW)
    assert six_minute_averages(Signal(at, value), gas, []).is_valid.sum() == n_valid


def test_36_points_in_half_of_the_time_are_not_evenly_spaced() -> None:
    at, value = opacity({}, 5.0)
    keep = (at % 360) < 180
    answer = judged(at[keep], value[keep])
    assert numbers(answer)["n_valid"] == 0
    assert answer.lack is Lack.COVERAGE


@pytest.mark.parametrize(
    ("hour", "n_above"), [([0.26, *[0.19] * 9], 1), ([0.26, 0.21, *[0.19] * 8], 2)]
)
def test_periods_above_are_counted(hour: list[float], n_above: int) -> None:
    answer = judged(*opacity(dict(enumerate(hour, start=HOUR // 360))))
    assert answer.verdict is Verdict.FOUND
    assert answer.urgency is Urgency.WATCH
    assert numbers(answer)["n_above"] == n_above
    assert "10:00-10:" in answer.text
    assert "no compliance record" in answer.text


def test_blocks_are_those_of_the_clock() -> None:
    """Six minutes above the limit across two periods of the clock are no period above it."""
    at, value = opacity({}, 1.0)
    inside = (at >= HOUR + 180) & (at < HOUR + 540)
    value[inside] += 0.25
    assert judged(at, value).verdict is Verdict.CLEAR
    moved = (at >= HOUR) & (at < HOUR + 360)
    value[inside] -= 0.25
    value[moved] += 0.25
    assert judged(at, value).verdict is Verdict.FOUND


def test_half_an_hour_above_is_for_now() -> None:
    answer = judged(*opacity(dict.fromkeys(range(100, 106), 0.3)))
    assert answer.urgency is Urgency.NOW


def test_only_moving_gas_counts() -> None:
    at, value = opacity(dict.fromkeys(range(120, 240), 0.5))
    answer = judged(at, value, stop_s=43_200.0)
    assert answer.verdict is Verdict.CLEAR
    assert numbers(answer)["n_periods"] == 120


def test_a_start_beside_it_is_named() -> None:
    day = opacity_day(*opacity({100: 0.3}))
    start = {"kind": "start", "begin_s": 35_000.0, "end_s": 35_900.0}
    day = replace(day, starts=pl.concat([day.starts, pl.DataFrame([start])], how="diagonal"))
    (answer,) = ask("opacity_above_limit", day).values()
    assert "at a start" in answer.text


@pytest.mark.parametrize(
    ("column", "usual", "then", "words"),
    [
        ("gas_flow_m3_s", 10.0, 12.5, "(gas flow 25 % up)"),
        ("dp_pa", 1000.0, 600.0, "(DP 40 % down)"),
        ("inlet_temperature_c", 150.0, 180.0, "(inlet temperature 30 K up)"),
        ("inlet_temperature_c", 150.0, 160.0, None),  # less than matters
    ],
)
@pytest.mark.parametrize("minute", [570, 590, 605, 700])  # it begins at 10:00
def test_an_upset_beside_it_is_named(
    column: str, usual: float, then: float, words: str | None, minute: int
) -> None:
    at = np.arange(1440)
    value = np.where((at >= minute) & (at < minute + 5), then, usual + np.sin(at))
    table = pl.DataFrame({"minute": at, "state": State.RUNNING.value, column: value})
    day = replace(opacity_day(*opacity({100: 0.3, 101: 0.3})), minutes=table)
    (answer,) = ask("opacity_above_limit", day).values()
    is_named = words is not None and minute in (590, 605)
    assert ("up)" in answer.text or "down)" in answer.text) is is_named
    assert not is_named or str(words) in answer.text


def test_what_swings_as_much_all_day_is_no_upset() -> None:
    at = np.arange(1440)
    flow = np.where(at % 10 == 0, 13.0, 10.0)
    table = pl.DataFrame({"minute": at, "state": State.RUNNING.value, "gas_flow_m3_s": flow})
    day = replace(opacity_day(*opacity({100: 0.3})), minutes=table)
    (answer,) = ask("opacity_above_limit", day).values()
    assert "gas flow" not in answer.text.split("six-minute averages of")[0]


@pytest.mark.filterwarnings("error")
def test_a_dead_signal_beside_it_is_no_upset() -> None:
    at = np.arange(1440)
    dp = np.where(at == 605, 900.0, 0.0)
    table = pl.DataFrame({"minute": at, "state": State.RUNNING.value, "dp_pa": dp})
    day = replace(opacity_day(*opacity({100: 0.3})), minutes=table)
    (answer,) = ask("opacity_above_limit", day).values()
    assert "DP" not in answer.text


def check_at(begin_s: float, *, zero: bool) -> tuple[Floats, Floats]:
    at, value = opacity({}, 5.0)
    value[(at >= begin_s + 100) & (at < begin_s + 300)] = 0.7
    if zero:
        value[(at >= begin_s) & (at < begin_s + 100)] = 0.0
    return at, value


def test_zero_and_span_checks_are_no_opacity() -> None:
    assert judged(*check_at(9000.0, zero=True)).verdict is Verdict.CLEAR


def test_a_flat_level_is_a_check_where_it_comes_again_or_is_stated() -> None:
    """Its period keeps too few points for an average."""
    alone = check_at(9000.0, zero=False)
    assert judged(*alone).verdict is Verdict.FOUND
    assert judged(*alone, checks=(9100.0, 9105.0)).verdict is Verdict.CLEAR
    assert judged(*alone, checks=(50_000.0, 9105.0)).verdict is Verdict.FOUND
    assert judged(*alone, monitor_checks=["02:30-02:36"]).verdict is Verdict.CLEAR


def test_without_a_limit_it_cannot_tell() -> None:
    answer = judged(*opacity({}), opacity_limit=None)
    assert answer.lack is Lack.SITE_KEY
