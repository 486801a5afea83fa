"""A compartment colder than the others, on weeks of a casing known in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from helpers.leak_days import DAY, Plan, day_of, weeks
from helpers.scene_answers import ask, found, value_of
from helpers.work_logs import log, only

from rowcall.model import Answer, Lack, Subject, Verdict, Work
from rowcall.site import UnitsTable

RULE = "cold_compartment"
TWO = Plan(loss=(1.0, 0.8), leak=(0.0, 0.0), pulses=(1.0, 1.0), dp=(1.0, 1.0), off=(0.0, 0.0))


def judged(days: list[Plan]) -> dict[Subject, Answer]:
    return ask(RULE, day_of(days))


def of(answers: dict[Subject, Answer], compartment: int) -> Answer:
    return next(one for subject, one in answers.items() if subject.compartment == compartment)


# 1. Found.


@pytest.mark.parametrize("compartment", [1, 3])
def test_a_leaking_compartment_is_found_at_its_place(compartment: int) -> None:
    leak = tuple(0.1 if c == compartment else 0.0 for c in (1, 2, 3))
    even = Plan(loss=(0.9, 0.9, 0.9))
    answers = judged(weeks(12, since=11, usual=even, leak=leak))
    assert found(answers) == {(compartment, 0)}
    answer = of(answers, compartment)
    kelvin = 135 * math.exp(-0.09) * (1 - 1 / 1.1)
    assert value_of(answer, "colder_than_usual") == pytest.approx(kelvin, abs=2.5)
    assert "95 % interval" in answer.text


def test_of_two_it_says_that_the_other_one_may_be_warmer() -> None:
    answer = of(judged(weeks(12, since=11, usual=TWO, leak=(0.1, 0.0))), 1)
    assert answer.text.endswith("Or the other one is warmer.")


# 2. Healthy.


@pytest.mark.parametrize("n", [8, 20, 40])
def test_loads_weather_and_seasons_leave_it_quiet(n: int) -> None:
    answers = judged(weeks(n))
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}
    assert {subject.compartment for subject in answers} == {1, 2, 3}


# 3. Look-alikes.


def test_one_that_is_always_colder_is_as_usual() -> None:
    assert not found(judged(weeks(12, usual=Plan(loss=(2.0, 0.8, 0.8)))))


def test_one_off_line_for_half_a_day_is_not_colder() -> None:
    assert not found(judged(weeks(12, since=11, off=(12.0, 0.0, 0.0))))


def test_three_kelvin_do_not_matter() -> None:
    assert not found(judged(weeks(12, since=11, leak=(0.02, 0.0, 0.0))))


def test_one_that_is_warmer_than_usual_is_not_colder() -> None:
    leaky = Plan(leak=(0.1, 0.0, 0.0))
    assert not found(judged(weeks(12, since=11, usual=leaky, leak=(0.0, 0.0, 0.0))))


def test_one_off_on_purpose_is_no_peer() -> None:
    work = log(only(Work.OFF, DAY, 2, house="BH2"))
    (answer,) = ask(RULE, day_of(weeks(12, since=11, leak=(0.1, 0.0, 0.0))), work=work).values()
    assert answer.verdict is Verdict.CANNOT_TELL


# 4. Thin data.


def test_a_week_makes_the_usual() -> None:
    answers = judged(weeks(7, since=6, leak=(0.1, 0.0, 0.0)))
    assert {(one.verdict, one.lack) for one in answers.values()} == {
        (Verdict.CANNOT_TELL, Lack.HISTORY)
    }


def test_one_outlet_for_all_says_nothing_of_compartments() -> None:
    day = day_of(weeks(12))
    one = {place: s for place, s in day.signals.items() if place[1] < 2}
    empty = day.facts.filter(day.facts["name"] == "")
    (answer,) = ask(RULE, replace(day, signals=one, facts=empty)).values()
    assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.TAG)


# 5. Invariance.


def test_units_do_not_matter() -> None:
    day = day_of(weeks(12, since=11, leak=(0.1, 0.0, 0.0)))
    us = UnitsTable.model_validate({"temperature": "[degF]"}).scales
    one, other = (of(ask(RULE, d), 1) for d in (day, replace(day, units=us)))
    assert one.values == other.values
    assert " K " in one.text
    assert " °F " in other.text
