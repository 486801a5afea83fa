"""Nothing pulsed though it is due: five parts, on days made by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers.cleaning_days import DAY, bouts, each, house, made, minutes
from helpers.scene_answers import ask
from helpers.scenes import exports, history_of, kiln, on_time, study
from helpers.unit_systems import SYSTEMS
from helpers.work_logs import log, only

from rowcall.model import Answer, BaghouseDay, Fact, Inferred, Lack, Signal, Urgency, Verdict, Work

RULE = "under_cleaning"
AT = 600  # [min]


def judged(day: BaghouseDay, *work: Work, ago: int = 0) -> Answer:
    entries = (only(one, DAY - timedelta(days=ago)) for one in work)
    (answer,) = ask(RULE, day, work=log(*entries)).values()
    return answer


def held(n_min: int = 30, level_pa: float = 1300.0, **more: object) -> BaghouseDay:
    """Return a day on demand with nothing pulsed for so long at a high DP."""
    pulse_s = each(10.0, ((0, AT), (AT + n_min, 1440)))
    dp = minutes(1000.0, (AT, AT + n_min, level_pa))
    return made(house(), pulse_s, dp, **more)  # type: ignore[arg-type]


def stopped(n_min: int, interval_s: int = 20) -> BaghouseDay:
    """Return a day by the clock with nothing pulsed for so long."""
    pulse_s = each(interval_s, ((0, AT), (AT + n_min, 1440)))
    return made(house("on_time", interval=f"{interval_s} s"), pulse_s, minutes(700.0))


def test_nothing_pulsed_above_the_start_set_point_is_found() -> None:
    day = held()
    answer = judged(day)
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.NOW)
    assert answer.text == "With DP above 1.20 kPa, nothing was pulsed for 30 min."
    assert answer.start == day.start + timedelta(minutes=AT)
    assert answer.end == day.start + timedelta(minutes=AT + 30)


@pytest.mark.parametrize(
    ("n_min", "level_pa", "found"),
    [(9, 1300.0, False), (10, 1300.0, True), (30, 1223.0, False), (30, 1225.0, True)],
)
def test_ten_minutes_and_two_per_cent_count(n_min: int, level_pa: float, found: bool) -> None:
    assert (judged(held(n_min, level_pa)).verdict is Verdict.FOUND) is found


@pytest.mark.parametrize(
    ("n_min", "interval_s", "found"),
    [(9, 20, False), (10, 20, True), (17, 60, False), (18, 60, True)],
)
def test_by_the_clock_three_passes_and_ten_minutes_count(
    n_min: int, interval_s: int, found: bool
) -> None:
    assert (judged(stopped(n_min, interval_s)).verdict is Verdict.FOUND) is found


def test_a_pass_with_a_pause_after_it_is_as_long_as_it_is_found() -> None:
    pulse_s = np.concatenate([at + 20.0 * np.arange(6) for at in np.arange(1.0, 86_000, 900.0)])
    assert judged(made(house("on_time"), pulse_s, minutes(700.0))).verdict is Verdict.CLEAR


def test_healthy_days_are_clear() -> None:
    for plan, how in ((kiln(), {}), (kiln(cleaning=on_time(6, 20.0)), {"rows_by": "counter"})):
        day = study(exports(plan, hours=6, **how)[0]).day  # type: ignore[arg-type]
        assert judged(day).verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    ("past", "today", "found"),
    [
        ([1350.0] * 3, {}, False),
        ([1350.0] * 2, {}, True),
        ([1100.0] * 3, {}, True),
        ([], {Fact.START_DP_PA: 1350.0}, False),
    ],
)
def test_a_set_point_that_was_raised_is_not_named(
    past: list[float], today: Mapping[Fact, float], found: bool
) -> None:
    history = history_of({Fact.START_DP_PA: past}, DAY) if past else None
    day = held(history=history, facts=today)
    assert (judged(day).verdict is Verdict.FOUND) is found


@pytest.mark.parametrize(
    ("fall_pa", "n", "found"), [(6e4, 3, False), (6e4, 2, True), (4e4, 9, True)]
)
def test_drops_of_the_header_show_that_only_the_record_is_missing(
    fall_pa: float, n: int, found: bool
) -> None:
    time_s = np.arange(0.0, 86_400.0, 10.0)
    value = np.full(time_s.size, 6e5)
    value[AT * 6 + 10 : AT * 6 + 10 + 4 * n : 4] -= fall_pa
    value[:1000:2] -= 2e5  # elsewhere
    day = held(header=Signal(time_s, value))
    facts = made(house(), each(10.0), minutes(0.0), facts={Fact.REFILL_DROP_PA: 1e5}).facts
    answer = judged(replace(day, facts=facts))
    assert (answer.verdict is Verdict.FOUND) is found
    assert found or "header pressure drops as at pulses" in answer.text


def test_without_gas_nothing_is_due() -> None:
    assert judged(held(idle=((AT, AT + 30),))).verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    ("work", "ago", "found"),
    [
        (Work.BAGS_CHANGED, 2, False),
        (Work.PRE_COATED, 2, False),
        (Work.BAGS_CHANGED, 3, True),
        (Work.INSPECTED, 1, True),
    ],
)
def test_cleaning_by_the_clock_may_be_held_off_on_new_bags(
    work: Work, ago: int, found: bool
) -> None:
    assert (judged(stopped(30), work, ago=ago).verdict is Verdict.FOUND) is found


def test_cleaning_by_dp_against_the_site_file_cannot_be_judged_by_the_clock() -> None:
    pulse_s = bouts([900.0 + 60 * n for n in range(9)])
    level = np.interp(np.arange(1440) * 60.0, pulse_s, np.resize([1200.0] + [900.0] * 23, 240))
    answer = judged(made(house("on_time"), pulse_s, level))
    assert "goes by DP, not by the clock" in answer.text


def test_thin_data_cannot_tell() -> None:
    assert judged(replace(held(), fires_known=False)).lack is Lack.ROW_SIGNAL
    inferred = replace(held(), inferred={1: Inferred(6, False, "from the cadence")})
    assert judged(inferred).lack is Lack.ROW_SIGNAL
    assert judged(held(idle=((0, 1440),))).lack is Lack.NOTHING
    for n_min, lack in ((145, Lack.COVERAGE), (143, None)):
        dp = minutes(1000.0, (0, n_min, float("nan")))
        assert judged(made(house(), each(10.0), dp)).lack is lack


def test_units_change_words_only_and_days_shift() -> None:
    us = judged(held(units=SYSTEMS["us"].scales))
    assert us.text == "With DP above 4.82 in. w.c., nothing was pulsed for 30 min."
    assert us.values == judged(held()).values
    assert judged(held(shift=9)).text == judged(held()).text
