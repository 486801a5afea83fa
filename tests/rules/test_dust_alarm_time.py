"""Time above the alarm level as a share of the time with gas."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from helpers.dust_days import dust_day, dust_house
from helpers.scene_answers import ask

from rowcall.events.facts.dust_lines import alarm_time
from rowcall.model import Answer, Fact, Lack, Verdict

HOUR = 3600.0


def judged(above_h: Sequence[float], judged_h: Sequence[float], **house: Any) -> Answer:
    series = {
        (Fact.DUST_ALARM_S, (0, 0)): [HOUR * h for h in above_h],
        (Fact.DUST_JUDGED_S, (0, 0)): [HOUR * h for h in judged_h],
    }
    given = {"dust_alarm": "12 mg/m3", **house}
    (answer,) = ask("dust_alarm_time", dust_day(series, baghouse=dust_house(**given))).values()
    return answer


@pytest.mark.parametrize(("hours", "is_found"), [(1.25, True), (1.15, False)])
def test_more_than_five_percent_of_half_a_year_is_found(hours: float, is_found: bool) -> None:
    answer = judged([hours] * 183, [24.0] * 183)
    assert (answer.verdict is Verdict.FOUND) == is_found
    assert "12 mg/m" in answer.text
    assert "no compliance record" in answer.text


def test_4000_h_of_operation_allow_200_h() -> None:
    """The counts of 40 CFR 63: 5 % of 4,000 h."""
    assert judged([100.0, 99.0], [2000.0, 2000.0]).verdict is Verdict.CLEAR
    assert judged([100.0, 101.0], [2000.0, 2000.0]).verdict is Verdict.FOUND


def test_days_of_more_than_half_a_year_ago_do_not_count() -> None:
    assert judged([*[24.0] * 30, *[0.0] * 183], [24.0] * 213).verdict is Verdict.CLEAR


def test_one_bad_morning_is_not_found() -> None:
    assert judged([6.0], [24.0]).verdict is Verdict.CLEAR


def test_without_a_level_or_gas_it_cannot_tell() -> None:
    assert judged([1.0], [24.0], dust_alarm=None).lack is Lack.SITE_KEY
    assert judged([0.0], [0.0]).lack is Lack.COVERAGE


def test_each_point_speaks_until_the_next_but_not_over_a_gap() -> None:
    at = np.array([0.0, 10.0, 20.0, 5000.0, 5010.0])
    above_s, judged_s = alarm_time(at, np.array([1.0, 5.0, 5.0, 1.0, 5.0]), 2.0)
    assert (above_s, judged_s) == (310.0, 330.0)
