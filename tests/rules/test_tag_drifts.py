"""Transmitters that drift, by facts made by hand."""

from __future__ import annotations

import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.sensor_days import fact_day, house, tag

from rowcall.model import Answer, BaghouseDay, Fact, Lack, Subject, Urgency, Verdict
from rowcall.site import Role

RULE = "tag_drifts"
HOUSE = house(tag(Role.DP))
THREE = house(tag(Role.DP), tag(Role.DP, 1), tag(Role.DP, 2))
TWO = house(tag(Role.INLET_TEMPERATURE, 1), tag(Role.INLET_TEMPERATURE, 2))
LEVEL = {(Fact.DP_RUNNING_PA, 0): 1000.0}


def judged(day: BaghouseDay, **settings: str) -> Answer:
    return ask(RULE, day, settings)[Subject("BH1")]


def apart(today: tuple[float, ...], past: tuple[float, ...], n_days: int = 8) -> BaghouseDay:
    levels = {(Fact.DP_RUNNING_PA, place): 1000.0 for place in range(3)}
    now = {(Fact.DP_APART_PA, place): value for place, value in enumerate(today)}
    before = {(Fact.DP_APART_PA, place): [value] * n_days for place, value in enumerate(past)}
    return fact_day(THREE, levels | now, before)


# 1. Found.


@pytest.mark.parametrize("zero", [60.0, -60.0])
def test_dp_off_zero_as_the_gas_stands_is_found(zero: float) -> None:
    answer = judged(fact_day(HOUSE, LEVEL | {(Fact.DP_ZERO_PA, 0): zero}))
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.WATCH)
    assert answer.condemns == (Role.DP,)
    assert value_of(answer, "zero") == zero


def test_the_last_stop_holds_until_the_next_one() -> None:
    past = {(Fact.DP_ZERO_PA, 0): [10.0, 70.0]}
    answer = judged(fact_day(HOUSE, LEVEL, past))
    assert answer.verdict is Verdict.FOUND
    assert "on 2026-11-25, before that 0.01 kPa on 2026-11-24" in answer.text
    again = fact_day(HOUSE, LEVEL | {(Fact.DP_ZERO_PA, 0): 2.0}, past)
    assert judged(again).verdict is Verdict.CLEAR
    assert judged(fact_day(HOUSE, LEVEL, past), zero_days="0").verdict is Verdict.CANNOT_TELL


def test_the_odd_one_of_three_is_named_and_the_others_are_not() -> None:
    day = apart((95.0, -45.0, -45.0), (5.0, 0.0, 0.0))
    answers = ask(RULE, day)
    assert found(answers) == {(0, 0)}
    assert value_of(answers[Subject("BH1")], "dp_departure") == pytest.approx(90.0)


def test_of_two_that_part_both_are_in_doubt() -> None:
    past = {(Fact.INLET_APART_K, 1): [1.0] * 6, (Fact.INLET_APART_K, 2): [-1.0] * 6}
    day = fact_day(TWO, {(Fact.INLET_APART_K, 1): 9.0, (Fact.INLET_APART_K, 2): -9.0}, past)
    answers = ask(RULE, day)
    assert found(answers) == {(1, 0), (2, 0)}
    assert all("two do not show which" in answer.text for answer in answers.values())


# 2., 3. Healthy, and what looks alike.


@pytest.mark.parametrize(
    "zero",
    [0.0, 20.0, -20.0, 45.0, 600.0],  # up to a draught; the last is enclosed in a plugged line
)
def test_what_is_no_drift_of_zero_is_clear(zero: float) -> None:
    day = fact_day(HOUSE, LEVEL | {(Fact.DP_ZERO_PA, 0): zero})
    assert judged(day).verdict is Verdict.CLEAR


def test_tags_that_always_read_apart_are_clear() -> None:
    assert found(ask(RULE, apart((95.0, -45.0, -45.0), (95.0, -45.0, -45.0)))) == set()


def test_a_departure_within_its_scatter_is_clear() -> None:
    past = {
        (Fact.DP_APART_PA, place): [sign * one for one in (40.0, -40.0, 35.0, -45.0, 40.0, -40.0)]
        for place, sign in ((0, 1.0), (1, -1.0), (2, -1.0))
    }
    today = {(Fact.DP_APART_PA, 0): 70.0, (Fact.DP_APART_PA, 1): -35.0}
    levels = {(Fact.DP_RUNNING_PA, place): 1000.0 for place in range(3)}
    day = fact_day(THREE, levels | today | {(Fact.DP_APART_PA, 2): -35.0}, past)
    assert found(ask(RULE, day)) == set()


# 4. Thin data.


def test_without_a_stop_and_a_second_tag_it_cannot_tell() -> None:
    assert judged(fact_day(HOUSE, LEVEL)).verdict is Verdict.CANNOT_TELL
    assert judged(fact_day(house(), {})).lack is Lack.TAG
    assert found(ask(RULE, apart((95.0, -45.0, -45.0), (0.0, 0.0, 0.0), n_days=4))) == set()
