"""Rows pulsed often at a low DP: five parts, on days made by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from helpers.cleaning_days import bouts, each, house, made, minutes
from helpers.scene_answers import ask, value_of
from helpers.scenes import exports, kiln, on_time, study
from helpers.unit_systems import SYSTEMS

from rowcall.model import Answer, BaghouseDay, Fact, Lack, Urgency, Verdict

RULE = "over_cleaning"
LOW_PA = 373.6  # half of 3 in. w.c.


def judged(day: BaghouseDay) -> Answer:
    (answer,) = ask(RULE, day).values()
    return answer


def by_clock(peak_pa: float = 300.0, interval_s: float = 20.0, **more: object) -> BaghouseDay:
    facts = {Fact.PEAK_DP_PA: peak_pa, Fact.RESIDUAL_DP_PA: peak_pa - 30, Fact.FLOW_M3_S: 4.0}
    day = house("on_time", design_flow="36000 m3/h")
    return made(day, each(interval_s), minutes(peak_pa), facts=facts, **more)  # type: ignore[arg-type]


def on_demand(start_pa: float) -> BaghouseDay:
    return made(house(), bouts([900.0] * 9), minutes(350.0), facts={Fact.START_DP_PA: start_pa})


def test_rows_pulsed_often_at_a_low_dp_are_found() -> None:
    answer = judged(replace(by_clock(), baghouse=house("on_time")))
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.WATCH)
    assert "DP is 0.30 kPa at its peak, each row is pulsed every 2.0 min" in answer.text
    assert value_of(answer, "between_s") == pytest.approx(120.0, rel=0.01)


@pytest.mark.parametrize(
    ("peak_pa", "interval_s", "found"),
    [
        (LOW_PA - 1, 20.0, True),
        (LOW_PA + 1, 20.0, False),
        (300.0, 98.0, True),
        (300.0, 102.0, False),
    ],
)
def test_half_the_usual_dp_and_ten_minutes_count(
    peak_pa: float, interval_s: float, found: bool
) -> None:
    day = replace(by_clock(peak_pa, interval_s), baghouse=house("on_time"))
    assert (judged(day).verdict is Verdict.FOUND) is found


@pytest.mark.parametrize(("start_pa", "found"), [(LOW_PA - 1, True), (LOW_PA + 1, False)])
def test_cleaning_that_starts_at_a_low_dp_is_found(start_pa: float, found: bool) -> None:
    assert (judged(on_demand(start_pa)).verdict is Verdict.FOUND) is found


def test_healthy_days_are_clear() -> None:
    for plan in (kiln(), kiln(cleaning=on_time(6, 20.0))):
        assert judged(study(exports(plan, hours=6)[0]).day).verdict is Verdict.CLEAR


@pytest.mark.parametrize(("design", "found"), [("7.9 m3/s", True), ("8.1 m3/s", False)])
def test_a_low_dp_of_a_low_flow_is_not_named(design: str, found: bool) -> None:
    answer = judged(replace(by_clock(), baghouse=house("on_time", design_flow=design)))
    assert (answer.verdict is Verdict.FOUND) is found
    assert found or "gas flow was only 49 % of its design" in answer.text


def test_pulses_without_gas_are_not_counted() -> None:
    day = replace(by_clock(idle=((0, 720),)), baghouse=house("on_time"))
    assert value_of(judged(day), "between_s") == pytest.approx(120.0, rel=0.01)


def test_thin_data_cannot_tell() -> None:
    assert judged(replace(by_clock(), fires_known=False)).lack is Lack.ROW_SIGNAL
    assert judged(by_clock(idle=((0, 1440),))).lack is Lack.ROW_SIGNAL
    assert judged(made(house(), each(10.0), minutes(300.0))).lack is Lack.ROW_SIGNAL
    known = replace(on_demand(300.0), fires_known=False)
    assert judged(known).verdict is Verdict.FOUND  # its start set point is known all the same


def test_units_change_words_only_and_days_shift() -> None:
    day = replace(by_clock(), baghouse=house("on_time"))
    us = judged(replace(day, units=SYSTEMS["us"].scales))
    assert "DP is 1.20 in. w.c. at its peak" in us.text
    assert us.values == judged(day).values
    later = replace(by_clock(shift=9), baghouse=house("on_time"))
    assert judged(later).text == judged(day).text
