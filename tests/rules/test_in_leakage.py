"""Air that leaks in, on weeks of a casing known in closed form."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from helpers.leak_days import DAY, Plan, day_of, weeks
from helpers.scene_answers import ask, value_of

from rowcall.model import Answer, Lack, Urgency, Verdict
from rowcall.site import Role, UnitsTable

RULE = "in_leakage"


def judged(days: list[Plan]) -> Answer:
    (answer,) = ask(RULE, day_of(days)).values()
    return answer


def leaking(share: float, n: int = 25, since: int = 20, **other: Any) -> list[Plan]:
    return weeks(n, since=since, leak=(share,) * 3, **other)


# 1. Found.


@pytest.mark.parametrize(("share", "urgency"), [(0.08, Urgency.WATCH), (0.20, Urgency.NEXT_OUTAGE)])
def test_a_leak_is_found_with_its_day_and_share(share: float, urgency: Urgency) -> None:
    answer = judged(leaking(share))
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, urgency)
    assert value_of(answer, "leak") == pytest.approx(share, abs=0.02)
    assert answer.start is not None
    assert answer.start.date() == DAY - timedelta(days=4)


def test_a_leak_that_grows_is_found() -> None:
    days = [replace(day, leak=(0.004 * k,) * 3) for k, day in enumerate(weeks(30))]
    answer = judged(days)
    assert answer.verdict is Verdict.FOUND
    assert "steadily more" in answer.text


# 2. Healthy.


@pytest.mark.parametrize("n", [14, 20, 30])
def test_loads_weather_and_seasons_leave_it_quiet(n: int) -> None:
    assert judged(weeks(n)).verdict is Verdict.CLEAR


# 3. Look-alikes.


def test_less_gas_cools_more_and_is_no_leak() -> None:
    """From 20 days of full load to five of two thirds: the gas cools by half as much again."""
    days = weeks(25)
    days = [replace(day, flow=day.flow * (0.67 if k >= 20 else 1.0)) for k, day in enumerate(days)]
    assert judged(days).verdict is Verdict.CLEAR


def test_a_cold_spell_is_no_leak() -> None:
    assert judged(weeks(25, since=20, ambient=-15.0)).verdict is Verdict.CLEAR


def test_rain_on_the_casing_is_no_leak() -> None:
    assert judged(weeks(25, since=22, loss=(1.2, 0.96, 0.96))).verdict is Verdict.CLEAR


def test_three_per_cent_do_not_matter() -> None:
    assert judged(leaking(0.03)).verdict is Verdict.CLEAR


# 4. Thin data.


def test_two_weeks_make_a_verdict() -> None:
    answer = judged(weeks(13))
    assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.HISTORY)


def test_without_ambient_temperature_it_cannot_tell() -> None:
    answer = judged(weeks(20, usual=Plan(tags=())))
    assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.TAG)
    assert "ambient" in answer.text


def test_without_an_outlet_it_cannot_tell() -> None:
    day = day_of(weeks(20))
    kept = {place: one for place, one in day.signals.items() if place[0] != Role.OUTLET_TEMPERATURE}
    (answer,) = ask(RULE, replace(day, signals=kept)).values()
    assert answer.verdict is Verdict.CANNOT_TELL


# 5. Invariance.


def test_units_and_size_of_the_plant_do_not_matter() -> None:
    days = leaking(0.1)
    (base,) = ask(RULE, day_of(days)).values()
    us = UnitsTable.model_validate({"temperature": "[degF]"}).scales
    (shown,) = ask(RULE, replace(day_of(days), units=us)).values()
    assert shown.values == base.values
    large = [
        replace(day, flow=10 * day.flow, loss=tuple(10 * one for one in day.loss)) for day in days
    ]
    assert value_of(judged(large), "leak") == pytest.approx(value_of(base, "leak"), abs=0.01)
