"""Gas below its dew points, on hand-made days whose truth is known in closed form."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers.gas_days import (
    ACID_C,
    DAY,
    DAY_S,
    FLOW,
    START_S,
    TEMPERATURE,
    WATER_C,
    Signals,
    cold_start,
    gas_day,
    house,
)
from helpers.scene_answers import ask, value_of
from helpers.scenes import history_of

from rowcall.model import Answer, Fact, History, Lack, Signal, Urgency, Verdict
from rowcall.site import Baghouse, Role, UnitsTable

RULE = "dew_point"
MARGIN_K = 5.0
US = UnitsTable.model_validate({"temperature": "[degF]"})
STEP_S = 10.0


def judged(
    signals: Signals,
    baghouse: Baghouse | None = None,
    history: History | None = None,
    **settings: str,
) -> Answer:
    (answer,) = ask(RULE, gas_day(baghouse or house(), signals, history), settings).values()
    return answer


def warm_after_s(limit_c: float, heating_s: float) -> float:
    """Return when the gas of `cold_start` passes a limit, since the start."""
    return heating_s * math.log(160.0 / (180.0 - limit_c))


def dipped(level_c: float, seconds: float, begin_s: float = 10_000.0) -> Signals:
    """Gas flows warm all day, save for a dip of temperature."""
    at = np.arange(0.0, DAY_S, STEP_S)
    inlet = np.where((at >= begin_s) & (at < begin_s + seconds), level_c, 180.0)
    return {
        place: Signal(at, value, bridge_s=60.0)
        for place, value in ((FLOW, np.full(at.size, 10.0)), (TEMPERATURE, inlet))
    }


# 1. Found.


def test_a_cold_start_is_found_with_its_minutes() -> None:
    answer = judged(cold_start(STEP_S))
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.WATCH)
    film = warm_after_s(WATER_C + MARGIN_K, 3600.0)
    assert value_of(answer, "below_water_start") == pytest.approx(film, abs=20)
    acid = warm_after_s(ACID_C, 3600.0)
    assert value_of(answer, "below_acid_start") == pytest.approx(acid, abs=20)
    assert value_of(answer, "below_water_operation") == 0
    assert answer.start is not None
    begun = gas_day(house(), cold_start(STEP_S)).start + timedelta(seconds=START_S)
    assert abs(answer.start - begun) < timedelta(seconds=20)


# The spread of three correlations at 10 % H2O, 10 ppm SO3: 133.25, 136.40, 137.33 degC, computed
# from the published forms with another program.
def test_the_acid_dew_point_is_stated_with_its_spread() -> None:
    answer = judged(cold_start(STEP_S))
    assert "the acid dew point of 133 to 137 °C by three correlations" in answer.text
    assert value_of(answer, "acid_dew_point_low") == pytest.approx(133.25, abs=0.01)
    assert value_of(answer, "acid_dew_point_high") == pytest.approx(137.33, abs=0.01)


@pytest.mark.parametrize(
    ("minutes", "urgency"),
    [(9, None), (11, Urgency.NEXT_OUTAGE), (59, Urgency.NEXT_OUTAGE), (61, Urgency.NOW)],
)
def test_a_water_film_in_operation_presses_by_its_minutes(
    minutes: int, urgency: Urgency | None
) -> None:
    answer = judged(dipped(WATER_C + MARGIN_K - 1, 60.0 * minutes))
    assert answer.urgency is urgency
    assert value_of(answer, "below_water_operation") == pytest.approx(60 * minutes, abs=20)


@pytest.mark.parametrize(("minutes", "is_found"), [(55, False), (65, True)])
def test_acid_for_an_hour_in_operation_is_watched(minutes: int, is_found: bool) -> None:
    answer = judged(dipped(ACID_C - 5, 60.0 * minutes))
    assert (answer.urgency is Urgency.WATCH) is is_found


@pytest.mark.parametrize(
    ("usual_min", "is_found"), [((8.0, 8.0, 8.0), True), ((12.0,) * 3, False), ((8.0,) * 2, False)]
)
def test_a_start_longer_than_usual_below_the_acid_dew_point_is_watched(
    usual_min: tuple[float, ...], is_found: bool
) -> None:
    """It takes 19.5 min; of a usual 12 it is more than 1.5 times, yet less than 10 min longer."""
    history = history_of({Fact.ACID_START_MIN: usual_min}, DAY)
    answer = judged(cold_start(STEP_S, heating_s=900.0), history=history)
    assert (answer.verdict is Verdict.FOUND) is is_found
    if is_found:
        assert "A start was 20 min below the acid dew point, usually 8.0 min" in answer.text


def test_a_long_start_that_is_the_usual_one_is_clear() -> None:
    history = history_of({Fact.ACID_START_MIN: (30.0, 30.0, 30.0)}, DAY)
    slow = cold_start(STEP_S, heating_s=2000.0)  # 43 min: 13 longer, but not half as long again
    answer = judged(slow, history=history, water_start="30 min")
    assert answer.verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    ("media", "words"),
    [
        ("polyester", "Bags of polyester: resistance to acids good, to alkalis fair (APTI SI:412A"),
        ("cotton", "Bags of cotton: resistance to acids poor, to alkalis excellent"),
        (None, "depends on their fibre"),
    ],
)
def test_what_it_means_for_the_bags_is_said(media: str | None, words: str) -> None:
    assert words in judged(cold_start(STEP_S), house(media=media)).text


# 2. Healthy.


def test_warm_gas_all_day_is_clear() -> None:
    answer = judged(dipped(180.0, 0.0))
    assert answer.verdict is Verdict.CLEAR
    assert "for less than a minute" in answer.text


def test_a_quick_start_is_clear() -> None:
    assert judged(cold_start(STEP_S, heating_s=900.0)).verdict is Verdict.CLEAR


# 3. Look-alikes.


def test_a_start_or_stop_at_midnight_is_not_in_operation() -> None:
    begun = judged(dipped(30.0, 3600.0, begin_s=0.0))
    ended = judged(dipped(30.0, 3600.0, begin_s=DAY_S - 3600.0))
    assert value_of(begun, "below_water_start") == pytest.approx(3600, abs=20)
    assert value_of(ended, "below_water_stop") == pytest.approx(3600, abs=20)
    assert begun.urgency is ended.urgency is Urgency.WATCH


def test_cold_gas_for_half_a_day_from_midnight_is_operation() -> None:
    assert judged(dipped(30.0, 40_000.0, begin_s=0.0)).urgency is Urgency.NOW


def test_cooling_down_before_a_halt_is_a_stop() -> None:
    day = cold_start(STEP_S, heating_s=600.0)
    inlet = day[TEMPERATURE]
    cooled = np.where((inlet.time_s >= 35_000) & (inlet.time_s < 36_000), 40.0, inlet.value)
    plain = house(running_temperature=None)
    answer = judged({**day, TEMPERATURE: replace(inlet, value=cooled)}, plain)
    assert value_of(answer, "below_water_stop") == pytest.approx(1000, abs=20)
    assert value_of(answer, "below_water_operation") == 0


def test_a_start_lasts_until_gas_is_warm_by_the_margin() -> None:
    """Without a running temperature it is over after 15 min; 60 K above its dew point, after 93."""
    plain = house(gas_so3=None, running_temperature=None)
    day = cold_start(STEP_S, heating_s=7200.0)
    answer = judged(day, plain, water_margin="60 K{difference}")
    film = warm_after_s(WATER_C + 60, 7200.0)
    assert value_of(answer, "below_water_start") == pytest.approx(film, abs=20)
    assert value_of(answer, "below_water_operation") == 0


def test_cold_gas_that_stands_does_not_count() -> None:
    day = cold_start(STEP_S, heating_s=600.0)
    assert value_of(judged(day), "below_water") < 600


# 4. Thin data.


def test_without_moisture_the_line_of_the_site_file_is_named() -> None:
    answer = judged(cold_start(STEP_S), house(gas_moisture=None))
    assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.SITE_KEY)
    assert '`gas_moisture = "8 %"`' in answer.text


def test_without_so3_water_is_judged_and_the_line_is_named() -> None:
    answer = judged(cold_start(STEP_S), house(gas_so3=None))
    assert answer.verdict is Verdict.FOUND
    assert '`gas_so3 = "5 [ppm]"`' in answer.text


def test_a_day_of_unknown_temperature_is_not_clear() -> None:
    day = dipped(180.0, 0.0)
    inlet = day[TEMPERATURE]
    part = Signal(inlet.time_s[:7000], inlet.value[:7000], bridge_s=60.0)
    answer = judged({**day, TEMPERATURE: part})
    assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.COVERAGE)
    assert "known for 81 % of the gas" in answer.text


def test_gas_that_nothing_shows_is_not_judged() -> None:
    answer = judged({TEMPERATURE: cold_start(STEP_S)[TEMPERATURE]})
    assert answer.verdict is Verdict.CANNOT_TELL


# 5. Invariance.


def test_a_margin_is_a_difference_in_the_units_of_the_site() -> None:
    day = replace(gas_day(house(), cold_start(STEP_S)), units=US.scales)
    (fahrenheit,) = ask(RULE, day).values()
    base = judged(cold_start(STEP_S))
    assert "water dew point of 115 °F plus 9 °F" in fahrenheit.text
    assert fahrenheit.values == base.values
    bare = judged(cold_start(STEP_S), water_margin="0 K{difference}")
    film = warm_after_s(WATER_C, 3600.0)
    assert value_of(bare, "below_water_start") == pytest.approx(film, abs=20)


@pytest.mark.parametrize("step_s", [1.0, 60.0])
def test_sampling_does_not_matter(step_s: float) -> None:
    fine, base = judged(cold_start(step_s)), judged(cold_start(STEP_S))
    assert (fine.verdict, fine.urgency) == (base.verdict, base.urgency)
    assert value_of(fine, "below_water") == pytest.approx(value_of(base, "below_water"), abs=60)


# 6. Tags of the gas.


def with_tag(role: Role, share: float, signals: Signals) -> Signals:
    at = signals[FLOW].time_s
    return {**signals, (role, 0, 0): Signal(at, np.full(at.size, share))}


def test_a_moisture_tag_counts_before_the_site_file() -> None:
    """At 60 degC gas of 10 % water is warmer than its dew point and margin, of 20 % it is not."""
    dip = dipped(60.0, 1800.0)
    assert judged(dip).urgency is not Urgency.NEXT_OUTAGE
    wet = judged(with_tag(Role.GAS_MOISTURE, 0.2, dip))
    assert wet.urgency is Urgency.NEXT_OUTAGE
    assert "by the hour, of what tags show of the gas" in wet.text
    without_key = judged(with_tag(Role.GAS_MOISTURE, 0.2, dip), house(gas_moisture=None))
    assert without_key.values == wet.values


def test_the_share_of_so2_is_named_as_an_assumption() -> None:
    plain = house(gas_so3=None, so3_per_so2=0.01)
    answer = judged(with_tag(Role.SO2, 1000e-6, dipped(ACID_C - 5, 4000.0)), plain)
    assert "1 % of SO2 taken as SO3, an assumption" in answer.text
    assert answer.urgency is Urgency.WATCH
