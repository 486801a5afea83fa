"""Compartments of one casing that differ, on weeks whose truth is known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from helpers.leak_days import DAY, Plan, day_of, weeks
from helpers.scene_answers import ask, found, value_of
from helpers.work_logs import log, only

from rowcall.model import Answer, Fact, Lack, Subject, Verdict, Work
from rowcall.site import UnitsTable

RULE = "compartments_differ"
TWO = Plan(loss=(1.0, 0.8), leak=(0.0, 0.0), pulses=(1.0, 1.0), dp=(1.0, 1.0), off=(0.0, 0.0))


def changed(usual: Plan | None = None, **change: Any) -> dict[Subject, Answer]:
    return ask(RULE, day_of(weeks(12, since=11, usual=usual, **change)))


def of(answers: dict[Subject, Answer], compartment: int) -> Answer:
    return next(one for subject, one in answers.items() if subject.compartment == compartment)


# 1. Found.


@pytest.mark.parametrize("ratio", [1.5, 0.6])
def test_one_pulsed_more_or_less_often_stands_out(ratio: float) -> None:
    answers = changed(pulses=(1.0, ratio, 1.0))
    assert found(answers) == {(2, 0)}
    assert value_of(of(answers, 2), "pulses") == pytest.approx(ratio)
    assert f"{ratio:.2f} times as often" in of(answers, 2).text


def test_one_with_another_dp_stands_out() -> None:
    higher = changed(dp=(1.0, 1.0, 1.3))
    assert found(higher) == {(3, 0)}
    error = value_of(of(higher, 3), "dp_error")
    assert value_of(of(higher, 3), "dp") == pytest.approx(1.3, abs=3 * error + 0.005)
    assert found(changed(dp=(1.0, 1.0, 0.8))) == {(3, 0)}


def test_one_that_takes_more_air_stands_out() -> None:
    air = [
        tuple((c, 0, Fact.FREE_AIR_DAY_M3, 100.0 * k) for c, k in enumerate(ks, start=1))
        for ks in ((2, 2, 1), (2, 3, 1))
    ]
    days = weeks(12, since=11, usual=Plan(lines=air[0]), lines=air[1])
    answers = ask(RULE, day_of(days))
    assert found(answers) == {(2, 0)}
    assert "rows take 1.50 times the air of those of the other compartments" in of(answers, 2).text


def test_a_warmer_outlet_stands_out_and_a_colder_one_is_another_rule() -> None:
    warm = changed(usual=Plan(leak=(0.0, 0.1, 0.0)), leak=(0.0, 0.0, 0.0))
    assert found(warm) == {(2, 0)}
    assert not found(changed(leak=(0.0, 0.1, 0.0)))


def test_of_two_one_is_named_and_the_doubt_said() -> None:
    answers = changed(usual=TWO, pulses=(1.0, 1.5))
    assert found(answers) == {(2, 0)}
    assert "Which of the two is the odd one does not show" in of(answers, 2).text


# 2. Healthy.


@pytest.mark.parametrize("n", [8, 30])
def test_even_compartments_are_clear(n: int) -> None:
    answers = ask(RULE, day_of(weeks(n)))
    assert {one.verdict for one in answers.values()} == {Verdict.CLEAR}
    assert len(answers) == 3


# 3. Look-alikes.


def test_what_is_always_uneven_is_usual_and_said() -> None:
    answers = ask(RULE, day_of(weeks(12, usual=Plan(pulses=(1.0, 1.0, 2.0)))))
    assert not found(answers)
    assert "2.00 times as often as those of the other compartments (usually 2.00)" in (
        of(answers, 3).text
    )


def test_one_off_line_for_hours_is_pulsed_less_as_it_should_be() -> None:
    assert not found(changed(off=(10.0, 0.0, 0.0), pulses=(0.58, 1.0, 1.0)))


def test_one_off_on_purpose_leaves_no_verdict() -> None:
    day = day_of(weeks(12, since=11, pulses=(0.3, 1.0, 1.0)))
    (answer,) = ask(RULE, day, work=log(only(Work.OFF, DAY, 1, house="BH2"))).values()
    assert answer.verdict is Verdict.CANNOT_TELL


# 4. Thin data.


def test_a_week_makes_the_usual() -> None:
    answers = ask(RULE, day_of(weeks(7, since=6, pulses=(1.0, 2.0, 1.0))))
    assert {(one.verdict, one.lack) for one in answers.values()} == {
        (Verdict.CANNOT_TELL, Lack.HISTORY)
    }


def test_nothing_known_of_two_compartments_is_no_verdict() -> None:
    day = day_of(weeks(12))
    (answer,) = ask(RULE, replace(day, facts=day.facts.filter(day.facts["name"] == ""))).values()
    assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.TAG)


def test_one_compartment_has_nothing_to_differ_from() -> None:
    one = Plan(loss=(1.0,), leak=(0.0,), pulses=(1.0,), dp=(1.0,), off=(0.0,))
    (answer,) = ask(RULE, day_of(weeks(12, usual=one))).values()
    assert answer.verdict is Verdict.CLEAR


# 5. Invariance.


def test_units_and_numbers_of_compartments_do_not_matter() -> None:
    days = weeks(12, since=11, usual=Plan(leak=(0.0, 0.1, 0.0)), leak=(0.0, 0.0, 0.0))
    us = UnitsTable.model_validate({"temperature": "[degF]"}).scales
    one, other = (of(ask(RULE, d), 2) for d in (day_of(days), replace(day_of(days), units=us)))
    assert one.values == other.values
    assert "°F warmer" in other.text
    first, last = changed(pulses=(1.5, 1.0, 1.0)), changed(pulses=(1.0, 1.0, 1.5))
    assert value_of(of(first, 1), "pulses") == value_of(of(last, 3), "pulses")
