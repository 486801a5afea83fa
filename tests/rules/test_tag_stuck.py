"""A tag stuck at a value, by facts of tags made by hand."""

from __future__ import annotations

import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.sensor_days import fact_day, found_before, house, tag

from rowcall.model import Answer, BaghouseDay, Fact, Lack, Subject, Urgency, Verdict
from rowcall.site import Role, Sample

RULE = "tag_stuck"
HOUSE = Subject("BH1")
WET = house(tag(Role.DP), tag(Role.INLET_TEMPERATURE), tag(Role.HEADER_PRESSURE, 2))
ALIVE = {
    (Fact.DP_FLAT_S, 0): [0.0] * 5,
    (Fact.DP_NOISE_STEPS, 0): [4.0] * 5,
}


def judged(day: BaghouseDay, **settings: str) -> Answer:
    return ask(RULE, day, settings)[HOUSE]


# 1. Found.


def test_a_fine_tag_that_repeats_a_value_for_an_hour_is_stuck() -> None:
    answer = judged(fact_day(WET, {(Fact.DP_FLAT_S, 0): 3600.0}, ALIVE))
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.NOW)
    assert answer.condemns == (Role.DP,)
    assert answer.text == "DP (DP-0) repeated one value for 1.0 h while the unit ran."
    assert value_of(answer, "dp_flat") == 3600.0


def test_its_own_noise_of_the_day_is_enough() -> None:
    today = {(Fact.DP_FLAT_S, 0): 4000.0, (Fact.DP_NOISE_STEPS, 0): 4.0}
    assert judged(fact_day(WET, today)).verdict is Verdict.FOUND


def test_without_noise_known_a_shift_is_enough_and_less_is_not() -> None:
    for hours, verdict in ((5.9, Verdict.CLEAR), (6.1, Verdict.FOUND)):
        day = fact_day(WET, {(Fact.DP_FLAT_S, 0): 3600.0 * hours})
        assert judged(day).verdict is verdict
    coarse = fact_day(WET, {(Fact.INLET_FLAT_S, 0): 86_400.0})
    assert judged(coarse).verdict is Verdict.CLEAR  # a coarse thermometer of steady gas


def test_what_it_is_tied_to_shows_a_coarse_tag_stuck() -> None:
    coarse = {(Fact.INLET_FLAT_S, 0): 7200.0, (Fact.INLET_NOISE_STEPS, 0): 0.1}
    tied = coarse | {(Fact.INLET_TIED_FLAT_S, 0): 7200.0}
    assert judged(fact_day(WET, coarse)).verdict is Verdict.CLEAR
    assert judged(fact_day(WET, tied)).condemns == (Role.INLET_TEMPERATURE,)


def test_a_header_is_judged_at_its_compartment() -> None:
    day = fact_day(WET, {(Fact.HEADER_TIED_FLAT_S, 2): 7200.0, (Fact.HEADER_FLAT_S, 2): 7200.0})
    assert found(ask(RULE, day)) == {(2, 0)}


def test_days_on_which_it_was_stuck_are_no_usual_ones() -> None:
    past = {
        (Fact.DP_FLAT_S, 0): [0.0, 0.0, 0.0, 86_400.0, 86_400.0, 86_400.0, 86_400.0],
        (Fact.DP_NOISE_STEPS, 0): [4.0] * 3,
    }
    day = fact_day(WET, {(Fact.DP_FLAT_S, 0): 86_400.0}, past)
    assert judged(day).verdict is Verdict.CLEAR
    assert judged(found_before(day, RULE, (1, 2, 3, 4))).verdict is Verdict.FOUND


# 2., 3. Healthy, and what looks alike.


@pytest.mark.parametrize(
    ("today", "past"),
    [
        ({(Fact.DP_FLAT_S, 0): 0.0}, ALIVE),
        ({(Fact.DP_FLAT_S, 0): 3500.0}, ALIVE),  # shorter than matters
        # A coarse transmitter, whose noise lies within a digit.
        ({(Fact.DP_FLAT_S, 0): 30_000.0, (Fact.DP_NOISE_STEPS, 0): 0.2}, {}),
        # Quiet nights are as quiet as ever.
        (
            {(Fact.DP_FLAT_S, 0): 8000.0},
            {(Fact.DP_FLAT_S, 0): [3000.0] * 5, (Fact.DP_NOISE_STEPS, 0): [4.0] * 5},
        ),
    ],
)
def test_what_is_not_stuck_is_clear(
    today: dict[tuple[Fact, int], float], past: dict[tuple[Fact, int], list[float]]
) -> None:
    assert judged(fact_day(WET, today, past)).verdict is Verdict.CLEAR


def test_a_tag_recorded_with_a_dead_band_is_not_stuck_by_its_runs_alone() -> None:
    thinned = house(tag(Role.DP, sample=Sample.THINNED))
    assert judged(fact_day(thinned, {(Fact.DP_FLAT_S, 0): 80_000.0})).verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    ("flat", "past", "verdict"),
    [
        (80_000.0, [3600.0] * 6 + [7200.0], Verdict.FOUND),
        (28_000.0, [3600.0] * 6 + [7200.0], Verdict.CLEAR),  # not four times the longest
        (20_000.0, [60.0] * 7, Verdict.CLEAR),  # less than a shift
        (80_000.0, [3600.0] * 6, Verdict.CLEAR),  # its quiet day may be to come
    ],
)
def test_a_run_beyond_all_of_a_week_is_stuck_however_a_tag_is_recorded(
    flat: float, past: list[float], verdict: Verdict
) -> None:
    thinned = house(tag(Role.DP, sample=Sample.THINNED), tag(Role.INLET_TEMPERATURE))
    for fact in (Fact.DP_FLAT_S, Fact.INLET_FLAT_S):
        answer = judged(fact_day(thinned, {(fact, 0): flat}, {(fact, 0): past}))
        assert answer.verdict is verdict, fact


# 4. Thin data.


def test_without_tags_or_facts_it_cannot_tell() -> None:
    assert judged(fact_day(house(), {})).lack is Lack.TAG
    assert judged(fact_day(WET, {})).verdict is Verdict.CANNOT_TELL


# 5. Settings.


def test_its_limit_is_a_setting() -> None:
    day = fact_day(WET, {(Fact.DP_FLAT_S, 0): 3600.0}, ALIVE)
    assert judged(day, flat="90 min").verdict is Verdict.CLEAR
