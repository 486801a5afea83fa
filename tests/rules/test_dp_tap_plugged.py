"""A plugged DP tap, by facts made by hand."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite

import pytest
from helpers.scene_answers import ask
from helpers.sensor_days import fact_day, found_before, house, tag

from rowcall.model import Answer, BaghouseDay, Fact, Lack, Subject, TagHealth, Urgency, Verdict
from rowcall.site import Role

RULE = "dp_tap_plugged"
HOUSE = house(tag(Role.DP))
USUAL = {
    Fact.DP_RUNNING_PA: 1000.0,
    Fact.DP_NOISE_PA: 12.0,
    Fact.DP_SWING_PA: 150.0,
    Fact.DP_FALL_PA: 28.0,
    Fact.DP_FALL_ERROR_PA: 0.5,
}
BY_LOAD = {Fact.DP_FLOW_GAIN: 1.1, Fact.DP_FLOW_GAIN_ERROR: 0.03}
LATE = {Fact.DP_FLOW_GAIN: 0.68, Fact.DP_FLOW_GAIN_ERROR: 0.12}
NO_FALL = {Fact.DP_FALL_PA: float("nan"), Fact.DP_FALL_ERROR_PA: float("nan")}
PLUGGED = {Fact.DP_NOISE_PA: 2.0, Fact.DP_SWING_PA: 14.0, Fact.DP_FALL_PA: 0.2}


def day_of(
    today: dict[Fact, float], n_past: int = 5, usual: dict[Fact, float] | None = None
) -> BaghouseDay:
    usual = USUAL | (usual or {})
    now = {(fact, 0): value for fact, value in (usual | today).items() if isfinite(value)}
    past = {(fact, 0): [value] * n_past for fact, value in usual.items()} if n_past else {}
    return fact_day(HOUSE, now, past)


def judged(day: BaghouseDay) -> Answer:
    return ask(RULE, day)[Subject("BH1")]


# 1. Found.


def test_dp_that_no_longer_moves_is_found_with_what_is_gone() -> None:
    answer = judged(day_of(PLUGGED))
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.NOW)
    assert answer.condemns == (Role.DP,)
    assert "its noise is 17 % of the usual" in answer.text
    assert "its fall at pulses is 1 % of the usual" in answer.text


def test_samples_of_a_minute_show_noise_and_change() -> None:
    assert judged(day_of({**PLUGGED, **NO_FALL})).verdict is Verdict.FOUND


@pytest.mark.parametrize("unseen", [{}, NO_FALL])
def test_dp_that_comes_late_is_found_though_slow_load_still_shows(
    unseen: dict[Fact, float],
) -> None:
    today = {Fact.DP_NOISE_PA: 0.0, Fact.DP_SWING_PA: 135.0, Fact.DP_FALL_PA: 0.3, **LATE, **unseen}
    answer = judged(day_of(today, usual=BY_LOAD))
    assert answer.verdict is Verdict.FOUND
    # 0.68 + 2 * 0.12 of 1.1
    assert "its change with flow within half an hour is 84 % of the usual" in answer.text


@pytest.mark.parametrize(
    ("today", "words"),
    [
        ({Fact.DP_ZERO_PA: 800.0}, "stayed at 0.80 kPa while the gas stood still"),
        ({Fact.DP_NEGATIVE_SHARE: 0.8}, "was below 0 for 80 % of the time"),
    ],
)
def test_what_no_dp_can_be_needs_no_days_before(today: dict[Fact, float], words: str) -> None:
    answer = judged(day_of(today, n_past=0))
    assert answer.verdict is Verdict.FOUND
    assert words in answer.text


def test_dp_at_the_end_of_its_range_is_found() -> None:
    health = TagHealth("DP-0", Role.DP, 0, 0, 1000, 0, 900, 0.1, 1.0)
    assert judged(replace(day_of({}), health=(health,))).verdict is Verdict.FOUND


def test_days_on_which_it_was_plugged_are_no_usual_ones() -> None:
    past = {(fact, 0): [value] * 3 for fact, value in USUAL.items()}
    for fact, value in PLUGGED.items():
        past[fact, 0] = [USUAL[fact]] * 3 + [value] * 5
    today = {(fact, 0): value for fact, value in (USUAL | PLUGGED).items()}
    day = fact_day(HOUSE, today, past)
    assert judged(day).verdict is Verdict.CLEAR
    assert judged(found_before(day, RULE, range(1, 6))).verdict is Verdict.FOUND


# 2., 3. Healthy, and what looks alike.


@pytest.mark.parametrize(
    "today",
    [
        {},
        # Damping set up: noise and fall at pulses are gone, what takes minutes is not.
        {Fact.DP_NOISE_PA: 1.0, Fact.DP_FALL_PA: 3.0},
        # A product without dust: noise stays, at half load half of it.
        {Fact.DP_SWING_PA: 20.0, Fact.DP_FALL_PA: 5.0},
        {Fact.DP_SWING_PA: 20.0, Fact.DP_FALL_PA: 5.0, Fact.DP_NOISE_PA: 6.0}
        | {Fact.DP_RUNNING_PA: 500.0},
        {Fact.DP_SWING_PA: 20.0, Fact.DP_FALL_PA: 5.0, Fact.DP_NOISE_PA: 9.0},
        # All valves stay shut: only the fall is gone.
        {Fact.DP_FALL_PA: 0.0},
        # All but the flow is gone, and that is followed.
        {**PLUGGED, Fact.DP_FLOW_GAIN: 1.2, Fact.DP_FLOW_GAIN_ERROR: 0.2},
        {Fact.DP_ZERO_PA: 60.0},  # a zero that drifts
    ],
)
def test_what_is_not_plugged_is_clear(today: dict[Fact, float]) -> None:
    assert judged(day_of(today)).verdict is Verdict.CLEAR


def test_noise_of_the_transmitter_itself_does_not_hide_a_plugged_tap() -> None:
    coarse = {Fact.DP_NOISE_PA: 7.5, Fact.DP_SWING_PA: 35.0, **NO_FALL}
    assert judged(day_of(coarse)).verdict is Verdict.FOUND
    late = {Fact.DP_NOISE_PA: 6.0, Fact.DP_SWING_PA: 135.0, **NO_FALL, **LATE}
    assert judged(day_of(late, usual=BY_LOAD)).verdict is Verdict.FOUND
    still = {Fact.DP_SWING_PA: 30.0, Fact.DP_FALL_PA: 0.3, Fact.DP_FLOW_GAIN: 0.01}
    answer = judged(day_of({**still, Fact.DP_RUNNING_PA: 230.0}, usual=BY_LOAD))
    assert answer.verdict is Verdict.FOUND
    assert "noise" not in answer.text


@pytest.mark.parametrize(
    ("today", "usual"),
    [
        # A steady day: noise and change are less, none of them is gone.
        ({Fact.DP_NOISE_PA: 7.5, Fact.DP_SWING_PA: 90.0}, {}),
        # Damping set up: what half an hour brings comes in time.
        ({Fact.DP_NOISE_PA: 0.0, Fact.DP_FALL_PA: 0.3, Fact.DP_FLOW_GAIN: 1.06}, BY_LOAD),
        # Late, but turbulence is there: the load was another.
        ({Fact.DP_SWING_PA: 100.0, Fact.DP_FALL_PA: 0.3, **LATE}, BY_LOAD),
        # A flow tag that no longer shows the flow: DP itself is as it was.
        ({Fact.DP_FLOW_GAIN: 0.01}, BY_LOAD),
        # Late, and noise is there: load and product were others.
        ({**LATE, Fact.DP_SWING_PA: 20.0, Fact.DP_FALL_PA: 5.0}, BY_LOAD),
        # In time, or never known to come in time.
        (PLUGGED | {Fact.DP_FLOW_GAIN: 1.05, Fact.DP_FLOW_GAIN_ERROR: 0.12}, BY_LOAD),
        (PLUGGED | LATE, BY_LOAD | {Fact.DP_FLOW_GAIN_ERROR: 0.5}),
    ],
)
def test_what_is_not_late_is_clear(today: dict[Fact, float], usual: dict[Fact, float]) -> None:
    assert judged(day_of(today, usual=usual)).verdict is Verdict.CLEAR


# 4. Thin data.


def test_too_few_days_cannot_tell() -> None:
    assert judged(day_of(PLUGGED, n_past=2)).lack is Lack.HISTORY
    assert judged(fact_day(house(), {})).lack is Lack.TAG
    assert judged(fact_day(HOUSE, {})).verdict is Verdict.CANNOT_TELL


def test_of_a_tag_that_is_stuck_it_says_nothing() -> None:
    day = day_of({**PLUGGED, Fact.DP_FLAT_S: 50_000.0})
    assert judged(day).text == "Cannot tell: the tag is stuck at a value."
