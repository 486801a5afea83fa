"""Tags that cannot both be right, by facts made by hand."""

from __future__ import annotations

import pytest
from helpers.scene_answers import ask, found
from helpers.sensor_days import fact_day, house, tag

from rowcall.model import BaghouseDay, Fact, Subject, Verdict
from rowcall.site import Role

RULE = "tags_disagree"
THREE = house(tag(Role.DP), tag(Role.DP, 1), tag(Role.DP, 2))
AIR = house(tag(Role.HEADER_PRESSURE, 1), tag(Role.SUPPLY_PRESSURE))


def dp_day(*apart: float, past: tuple[float, ...] = ()) -> BaghouseDay:
    levels = {(Fact.DP_RUNNING_PA, place): 1000.0 for place in range(3)}
    today = {(Fact.DP_APART_PA, place): value for place, value in enumerate(apart)}
    before = {(Fact.DP_APART_PA, place): [value] * 8 for place, value in enumerate(past)}
    return fact_day(THREE, levels | today, before)


def air_day(rest_bar: float, supply_bar: float = 7.0) -> BaghouseDay:
    today = {(Fact.IDLE_PA, 1): 1e5 * rest_bar, (Fact.SUPPLY_PRESSURE_PA, 0): 1e5 * supply_bar}
    return fact_day(AIR, today)


def test_the_odd_one_of_three_is_named() -> None:
    answers = ask(RULE, dp_day(-120.0, 250.0, -130.0))
    assert found(answers) == {(1, 0)}
    assert answers[Subject("BH1", 1)].condemns == (Role.DP,)
    assert "reads 0.25 kPa more" in answers[Subject("BH1", 1)].text


@pytest.mark.parametrize(("rest_bar", "is_found"), [(6.0, False), (7.2, False), (7.4, True)])
def test_no_header_at_rest_stands_above_its_supply(rest_bar: float, is_found: bool) -> None:
    assert found(ask(RULE, air_day(rest_bar))) == ({(1, 0)} if is_found else set())


def test_what_places_of_taps_explain_is_clear() -> None:
    answers = ask(RULE, dp_day(-60.0, 120.0, -60.0))
    assert {one.verdict for one in answers.values()} == {Verdict.CLEAR}


def test_what_was_always_so_is_left_to_its_own_usual() -> None:
    assert found(ask(RULE, dp_day(-120.0, 250.0, -130.0, past=(-120.0, 250.0, -130.0)))) == set()


def test_with_nothing_to_compare_it_cannot_tell() -> None:
    for day in (fact_day(house(), {}), fact_day(house(tag(Role.DP)), {})):
        assert ask(RULE, day)[Subject("BH1")].verdict is Verdict.CANNOT_TELL
