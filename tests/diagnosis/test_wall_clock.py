"""Wall times of a day's hours in words, also where clocks change."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from zoneinfo import ZoneInfo

import pytest
from helpers import report_days

from rowcall.days import day_bounds


@pytest.mark.parametrize(
    ("day", "zone", "hours", "words"),
    [
        (date(2026, 7, 1), "Europe/Vienna", (0, 2, 23, 24), ("00:00", "02:00", "23:00", "24:00")),
        (date(2026, 3, 29), "Europe/Vienna", (1, 2, 22, 23), ("01:00", "03:00", "23:00", "24:00")),
        (
            date(2026, 10, 25),
            "Europe/Vienna",
            (1, 2, 3, 4, 24, 25),
            ("01:00", "02:00 (UTC+02:00)", "02:00 (UTC+01:00)", "03:00", "23:00", "24:00"),
        ),
        (
            date(2026, 11, 1),
            "America/Chicago",
            (1, 2, 3),
            ("01:00 (UTC-05:00)", "01:00 (UTC-06:00)", "02:00"),
        ),
    ],
)
def test_a_wall_time_that_comes_twice_carries_its_offset(
    day: date, zone: str, hours: tuple[int, ...], words: tuple[str, ...]
) -> None:
    start, end = day_bounds(day, ZoneInfo(zone))
    one = replace(
        report_days.report().baghouses[0], day=day, start=start, end=end, zone=ZoneInfo(zone)
    )
    assert tuple(one.clock(hour) for hour in hours) == words
