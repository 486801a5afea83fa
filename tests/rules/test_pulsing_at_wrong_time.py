"""Pulses without gas or on new bags: five parts, on days made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from helpers.cleaning_days import DAY, each, house, made, minutes
from helpers.scene_answers import ask, value_of
from helpers.scenes import exports, history_of, kiln, study
from helpers.unit_systems import SYSTEMS
from helpers.work_logs import log, only

from rowcall.model import Answer, BaghouseDay, Fact, Lack, Urgency, Verdict, Work, WorkEntry
from rowcall.model.day import START_COLUMNS

RULE = "pulsing_at_wrong_time"
BAGS = only(Work.BAGS_CHANGED, DAY)


def judged(day: BaghouseDay, *entries: WorkEntry) -> Answer:
    (answer,) = ask(RULE, day, work=log(*entries)).values()
    return answer


def cleaned_down(n_min: int = 60, **more: object) -> BaghouseDay:
    """Return a day that halts at 10:00 and is pulsed for so long after it."""
    pulse_s = each(10.0, ((0, 600 + n_min),))
    return made(house(), pulse_s, minutes(1000.0), idle=((600, 1440),), **more)  # type: ignore[arg-type]


def first_start(
    n_pulses: int = 30, cake_min: int = 700, begin_s: float = 36_000.0, **more: object
) -> BaghouseDay:
    """Return a day started at 10:00, with pulses from then on and a first cake later."""
    start = {"kind": "start", "begin_s": begin_s, "end_s": 36_900.0}
    starts = pl.DataFrame([start], schema=START_COLUMNS)
    dp = minutes(300.0, (cake_min, 1440, 500.0))
    pulse_s = np.append(36_001.0 + 60.0 * np.arange(n_pulses), [43_000.0, 43_010.0])
    return made(house(), pulse_s, dp, idle=((0, 600),), starts=starts, **more)  # type: ignore[arg-type]


def test_pulses_without_gas_are_found() -> None:
    day = cleaned_down()
    answer = judged(day)
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.WATCH)
    assert "pulsed for 59 min without gas; a clean-down takes up to 30 min" in answer.text
    assert answer.start == day.start + timedelta(hours=10)
    assert answer.end == day.start + timedelta(hours=10, minutes=59)
    assert value_of(answer, "pulsed_idle") == 59 * 60


def test_pulses_on_new_bags_before_a_first_cake_are_found() -> None:
    day = first_start()
    answer = judged(day, BAGS)
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.WATCH)
    assert answer.text.startswith("30 pulses on the bags of 2 Mar before their first cake")
    assert answer.start == day.start + timedelta(hours=10)
    assert answer.end == day.start + timedelta(minutes=700)


@pytest.mark.parametrize(("n_min", "found"), [(31, False), (32, True)])
def test_a_clean_down_of_half_an_hour_is_allowed(n_min: int, found: bool) -> None:
    """The minute of the last pulse is not counted."""
    assert (judged(cleaned_down(n_min)).verdict is Verdict.FOUND) is found


@pytest.mark.parametrize(
    ("n_pulses", "cake_min", "found"), [(19, 700, False), (20, 700, True), (30, 619, False)]
)
def test_twenty_pulses_before_the_cake_count(n_pulses: int, cake_min: int, found: bool) -> None:
    answer = judged(first_start(n_pulses, cake_min), BAGS)
    assert (answer.verdict is Verdict.FOUND) is found


def test_healthy_days_are_clear() -> None:
    assert judged(study(exports(kiln(), hours=6)[0]).day).verdict is Verdict.CLEAR
    assert judged(made(house(), each(10.0), minutes(1000.0))).verdict is Verdict.CLEAR


def test_valves_tried_out_now_and_then_are_not_named() -> None:
    tried = np.append(np.arange(1.0, 3000.0, 10.0), [40_000.0, 60_000.0, 80_000.0])
    day = made(house(), tried, minutes(0.0), idle=((60, 1440),))
    assert judged(day).verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    "entry",
    [
        only(Work.BAGS_CHANGED, DAY, 1, 2),  # a row among others that bear cake
        only(Work.INSPECTED, DAY),
        replace(BAGS, at=BAGS.at + timedelta(hours=11), is_timed=True),  # after the start
    ],
)
def test_other_work_is_no_new_cloth(entry: WorkEntry) -> None:
    assert judged(first_start(), entry).verdict is Verdict.CLEAR


@pytest.mark.parametrize("fact", [Fact.N_STARTS, Fact.RUNNING_MIN])
@pytest.mark.parametrize(("past", "found"), [([9.0, 0.0], True), ([9.0, 1.0], False)])
def test_only_the_first_start_counts(fact: Fact, past: list[float], found: bool) -> None:
    bags = only(Work.BAGS_CHANGED, DAY - timedelta(days=2))
    day = first_start(history=history_of({fact: past}, DAY))
    assert (judged(day, bags).verdict is Verdict.FOUND) is found


def test_thin_data_cannot_tell() -> None:
    assert judged(replace(cleaned_down(), fires_known=False)).lack is Lack.ROW_SIGNAL
    unknown = cleaned_down().minutes.with_columns(state=pl.lit("unknown"))
    assert judged(replace(cleaned_down(), minutes=unknown)).lack is Lack.TAG


def test_units_change_words_only_and_days_shift() -> None:
    us = judged(first_start(units=SYSTEMS["us"].scales), BAGS)
    assert "(DP below 2.01 in. w.c.)" in us.text
    assert us.values == judged(first_start(), BAGS).values
    assert judged(cleaned_down(shift=9)).text == judged(cleaned_down()).text
