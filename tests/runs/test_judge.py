"""Since when something has been found without a break."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from rowcall.model import Answer, Finding, Subject, Urgency, Verdict
from rowcall.runs.judge import open_since

DAY = date(2026, 3, 20)
ROW = Subject("BH1", 1, 7)
KEY = ("row_silent", ROW)


def finding(verdict: Verdict) -> Finding:
    answer = Answer(subject=ROW, verdict=verdict, text="Silent.", urgency=Urgency.WATCH)
    return Finding(day=DAY, rule=KEY[0], answer=answer)


@pytest.mark.parametrize(
    ("days_back", "since"),
    [((), 0), ((1,), 1), ((1, 2, 3), 3), ((1, 2, 4, 5), 2), ((2, 3), 0)],
)
def test_open_since_the_first_day_of_an_unbroken_run(
    days_back: tuple[int, ...], since: int
) -> None:
    before = {DAY - timedelta(days=back): {KEY} for back in days_back}
    assert open_since(DAY, [finding(Verdict.FOUND)], before) == {KEY: DAY - timedelta(days=since)}


def test_another_row_s_past_and_what_is_not_found_today_count_for_nothing() -> None:
    other = ("row_silent", Subject("BH1", 1, 8))
    before = {DAY - timedelta(days=1): {other, KEY}}
    assert open_since(DAY, [finding(Verdict.CLEAR)], before) == {}
    before = {DAY - timedelta(days=1): {other}}
    assert open_since(DAY, [finding(Verdict.FOUND)], before) == {KEY: DAY}
