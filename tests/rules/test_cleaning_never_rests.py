"""Cleaning on demand that never rests: five parts, on days made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from helpers.cleaning_days import bouts, each, house, made, minutes
from helpers.scene_answers import ask, value_of
from helpers.scenes import exports, kiln, study
from helpers.unit_systems import SYSTEMS

from rowcall.model import Answer, BaghouseDay, Lack, Urgency, Verdict

RULE = "cleaning_never_rests"
DEMAND = house()


def judged(day: BaghouseDay) -> Answer:
    (answer,) = ask(RULE, day).values()
    return answer


def restless(level_pa: float = 1000.0, n_min: int = 180, **more: object) -> BaghouseDay:
    """Return a day with pulses throughout, and DP below the stop set point but for a time."""
    dp = minutes(850.0, (300, 300 + n_min, level_pa))
    return made(DEMAND, each(10.0), dp, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("level_pa", "urgency", "text"),
    [
        (1199.0, Urgency.NEXT_OUTAGE, "1.20 kPa, above the stop set point of 0.90 kPa"),
        (1201.0, Urgency.NOW, "1.20 kPa, above the start set point of 1.20 kPa"),
    ],
)
def test_hours_of_pulses_at_a_high_dp_are_found(
    level_pa: float, urgency: Urgency, text: str
) -> None:
    day = restless(level_pa)
    answer = judged(day)
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, urgency)
    assert answer.text == f"DP stayed at {text}, while rows were pulsed without a pause for 3.0 h."
    assert value_of(answer, "hours") == 3.0
    assert answer.start == day.start + timedelta(hours=5)
    assert answer.end == day.start + timedelta(hours=8)
    order = [answer.action.index(one) for one in ("set points", "pressure", "blinded", "hopper")]
    assert order == sorted(order)


@pytest.mark.parametrize(("n_min", "found"), [(119, False), (120, True)])
def test_two_hours_count(n_min: int, found: bool) -> None:
    assert (judged(restless(n_min=n_min)).verdict is Verdict.FOUND) is found


def test_bouts_with_pauses_are_clear() -> None:
    day = made(DEMAND, bouts([600.0] * 40), minutes(1000.0))
    assert judged(day).verdict is Verdict.CLEAR
    assert judged(study(exports(kiln(), hours=6)[0]).day).verdict is Verdict.CLEAR


def test_one_pause_parts_the_hours() -> None:
    pulse_s = each(10.0, ((0, 390), (391, 1440)))
    day = made(DEMAND, pulse_s, minutes(850.0, (300, 480, 1000.0)))
    assert judged(day).verdict is Verdict.CLEAR


def test_cleaning_by_the_clock_and_pulses_at_low_dp_are_not_named() -> None:
    by_clock = made(house("on_time"), each(10.0), minutes(1300.0))
    assert judged(by_clock).verdict is Verdict.CLEAR
    assert judged(restless(899.0)).verdict is Verdict.CLEAR


def test_pulses_without_gas_are_not_named() -> None:
    assert judged(restless(idle=((400, 1440),))).verdict is Verdict.CLEAR


def test_thin_data_cannot_tell() -> None:
    assert judged(replace(restless(), fires_known=False)).lack is Lack.ROW_SIGNAL
    assert judged(restless(idle=((0, 1440),))).lack is Lack.NOTHING
    unknown = made(DEMAND, each(10.0), minutes(float("nan")))
    assert judged(unknown).verdict is Verdict.CANNOT_TELL


def test_units_change_words_only_and_days_shift() -> None:
    us = judged(restless(units=SYSTEMS["us"].scales))
    assert "DP stayed at 4.01 in. w.c., above the stop set point of 3.61 in. w.c." in us.text
    assert us.values == judged(restless()).values
    assert judged(restless(shift=9)).text == judged(restless()).text
