"""Residual DP that rises: trend, step and projection on made histories with known truth."""

from __future__ import annotations

import re
from datetime import date, timedelta

import numpy as np
import pytest
from helpers.residual_dp import FLOW, judged, quiet, with_series
from helpers.scene_answers import value_of
from helpers.scenes import (
    Studied,
    exports,
    fact,
    kiln,
    local,
    on_time,
    study,
    study_all,
)
from helpers.work_logs import log, only

from rowcall.model import Fact, Urgency, Verdict, Work
from rowcall_plant import RisingBaselineDp, RowSilent


@pytest.fixture(scope="module")
def today() -> Studied:
    return study(exports(kiln(), seed=4, hours=8)[0])


# 1. Found.


@pytest.mark.parametrize("rate", [5.0, 10.0])
def test_a_steady_rise_is_found_with_its_slope(today: Studied, rate: float) -> None:
    answer = judged(with_series(today.day, quiet(60) + rate * np.arange(60)))
    assert answer.verdict is Verdict.FOUND
    assert "rises steadily" in answer.text
    assert value_of(answer, "slope_low") <= rate
    assert value_of(answer, "slope_high") >= rate
    assert value_of(answer, "slope") == pytest.approx(rate, rel=0.2)
    assert all(np.isfinite(quantity.value) for quantity in answer.values)
    units = {quantity.name: quantity.unit for quantity in answer.values}
    assert units["residual_dp_corrected"] == "Pa"
    assert {unit for name, unit in units.items() if name.startswith("slope_")} == {"Pa/d"}


@pytest.mark.parametrize("n", [8, 14])
@pytest.mark.parametrize("seed", range(4))
def test_two_per_cent_a_day_are_found_by_the_eighth_day(today: Studied, n: int, seed: int) -> None:
    growing = quiet(n, sd=7.0, seed=seed) * 1.015 ** np.arange(n)  # 2 % of a drag, cake beside it
    answer = judged(with_series(today.day, growing))
    assert answer.verdict is Verdict.FOUND
    assert "rises steadily" in answer.text


@pytest.mark.parametrize("age", [0, 1, 5, 20])
def test_a_step_is_found_on_its_day(today: Studied, age: int) -> None:
    value = quiet(40)
    value[39 - age :] *= 1.35
    answer = judged(with_series(today.day, value))
    assert answer.verdict is Verdict.FOUND
    assert value_of(answer, "step_rise") == pytest.approx(0.35, abs=0.04)
    on = today.day.day - timedelta(days=age)
    assert f"on {on.isoformat()}" in answer.text
    assert answer.start == today.day.start - timedelta(days=age)


def test_the_limit_is_projected_as_an_interval_of_dates(today: Studied) -> None:
    rate, limit = 10.0, 1500.0
    value = 800.0 + rate * np.arange(60) + quiet(60, 0.0, 4.0)
    answer = judged(with_series(today.day, value, limit_pa=limit))
    first, last = (
        date.fromisoformat(text) for text in re.findall(r"\d{4}-\d\d-\d\d", answer.text)[-2:]
    )
    true_day = today.day.day + timedelta(days=round((limit - (800.0 + rate * 59)) / rate))
    assert first <= true_day <= last + timedelta(days=1)
    assert (last - first).days <= 6
    assert answer.urgency is Urgency.NEXT_OUTAGE


@pytest.mark.parametrize(
    ("days", "urgency", "words"),
    [
        (5, Urgency.NEXT_OUTAGE, ", after the outage planned for {}."),
        (11, Urgency.NEXT_OUTAGE, ", perhaps before the outage planned for {}."),
        (60, Urgency.NOW, ", before the outage planned for {}."),
        (-3, Urgency.NEXT_OUTAGE, "(95 % interval)."),  # is over: none is planned
    ],
)
def test_the_limit_is_held_against_the_next_planned_outage(
    today: Studied, days: int, urgency: Urgency, words: str
) -> None:
    """Reached in 9 to 13 days, by a rise of 10 Pa a day."""
    value = 800.0 + 10.0 * np.arange(60) + quiet(60, 0.0, 4.0)
    planned = today.day.day + timedelta(days=days)
    day = with_series(today.day, value, limit_pa=1500.0)
    answer = judged(day, log(only(Work.OUTAGE_PLANNED, planned)))
    assert answer.urgency is urgency
    assert words.format(planned) in answer.text


def test_a_limit_far_ahead_can_wait_for_a_later_outage(today: Studied) -> None:
    value = 800.0 + 2.0 * np.arange(60) + quiet(60, 0.0, 4.0)
    day = with_series(today.day, value, limit_pa=3000.0)
    work = log(only(Work.OUTAGE_PLANNED, today.day.day + timedelta(days=20)))
    assert judged(day, work).urgency is Urgency.WATCH
    soon = with_series(today.day, value, limit_pa=1100.0)
    assert judged(soon).urgency is Urgency.WATCH
    assert judged(soon, work).urgency is Urgency.NEXT_OUTAGE


def test_a_limit_that_is_reached_is_urgent(today: Studied) -> None:
    value = quiet(60, sd=3.0) + 10.0 * np.arange(60)
    answer = judged(with_series(today.day, value, limit_pa=1400.0))
    assert answer.urgency is Urgency.NOW
    assert "is reached" in answer.text


def test_a_line_past_the_limit_is_not_projected_backwards(today: Studied) -> None:
    value = 800.0 + 10.2 * np.arange(30) + quiet(30, 0.0, 3.0)
    value[-3:] -= 30.0  # three days below the line, which itself has passed the limit
    answer = judged(with_series(today.day, value, limit_pa=1065.0))
    first, last = re.findall(r"\d{4}-\d\d-\d\d", answer.text)[-2:]
    assert first == today.day.day.isoformat()
    assert date.fromisoformat(last) - today.day.day <= timedelta(days=7)


def test_a_seeded_rise_of_residual_drag_is_found() -> None:
    fault = RisingBaselineDp(start=local(7), step_frac=0.6)
    plan = kiln(rows=(6,), cleaning=on_time(6, 60.0))
    each = [exports(plan, [fault], first=n, hours=4, seed=4)[0] for n in range(9)]
    days = study_all(each)
    before, after = (
        np.median([fact(d.day, Fact.RESIDUAL_DP_PER_FLOW) for d in part])
        for part in (days[:7], days[7:])
    )
    assert after / before > 1.2
    answers = [judged(studied.day) for studied in days]
    assert [a.verdict for a in answers[:6]] == [Verdict.CANNOT_TELL] * 6
    assert answers[6].verdict is Verdict.CLEAR
    assert answers[8].verdict is Verdict.FOUND
    assert answers[8].start == days[7].day.start


# 2. Healthy.


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("n", [7, 30, 90])
def test_a_level_baseline_is_clear(today: Studied, seed: int, n: int) -> None:
    answer = judged(with_series(today.day, quiet(n, sd=25.0, seed=seed)))
    assert answer.verdict is Verdict.CLEAR
    assert "not rising" in answer.text


def test_a_rise_too_small_to_matter_is_clear(today: Studied) -> None:
    answer = judged(with_series(today.day, 900.0 + 1.0 * np.arange(60) + quiet(60, 0.0, 2.0)))
    assert value_of(answer, "slope_low") > 0  # seen, but 3 % in 30 days
    assert answer.verdict is Verdict.CLEAR


# 3. Look-alikes.


def test_a_rise_of_flow_is_no_rise_of_the_baseline(today: Studied) -> None:
    flow = FLOW * np.linspace(0.7, 1.0, 60)
    value = quiet(60) * flow / FLOW
    corrected = judged(with_series(today.day, value, flow))
    assert corrected.verdict is Verdict.CLEAR
    bare = judged(with_series(today.day, value, flow, has_flow=False))
    assert bare.verdict is Verdict.FOUND  # without a flow tag it cannot be known, and says so
    assert "not corrected for flow" in bare.text


@pytest.mark.parametrize("at", [10, 25, 33])
def test_one_odd_day_is_no_step(today: Studied, at: int) -> None:
    value = quiet(40, sd=12.0)
    value[at] = 1400.0
    assert judged(with_series(today.day, value)).verdict is Verdict.CLEAR


def test_a_step_that_went_back_is_over(today: Studied) -> None:
    value = quiet(40)
    value[15:25] += 400.0
    assert judged(with_series(today.day, value)).verdict is Verdict.CLEAR


def test_a_step_down_is_no_finding(today: Studied) -> None:
    value = quiet(40)
    value[:20] += 400.0
    assert judged(with_series(today.day, value)).verdict is Verdict.CLEAR


def test_an_old_step_is_no_longer_told(today: Studied) -> None:
    value = quiet(90)
    value[40:] += 400.0
    assert "stepped" not in judged(with_series(today.day, value)).text


def test_rows_that_are_not_cleaned_come_first() -> None:
    fault = RowSilent(start=local(0), compartment=1, row=3)
    day = study(exports(kiln(), [fault], seed=4)[0]).day
    value = quiet(30)
    value[-1] = 1300.0
    answer = judged(with_series(day, value))
    assert answer.verdict is Verdict.FOUND
    assert "Not cleaned today: compartment 1 row 3; mend first" in answer.text
