"""Times that cannot be true, and times that run back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from helpers.exports import NOW, aside, instants, stored, take_times, taken

from rowcall.site import TakeIn
from rowcall.take_in.cells.timestamps import TOO_EARLY
from rowcall.take_in.load.jumps import Jumps
from rowcall.take_in.outcome import FUTURE


@pytest.mark.parametrize("zone", ["+14:00", ""])
def test_a_time_out_of_all_bounds_is_set_aside(tmp_path: Path, zone: str) -> None:
    take_times(
        tmp_path,
        f"9999-12-31 23:59:59{zone}",
        f"0001-01-01 00:00:00{zone}",
        f"2026-03-31 06:00:00{zone}",
    )
    assert [(line, reason) for line, _, _, reason in aside(tmp_path)] == [
        (2, "the time lies outside the years 1900 to 2199"),
        (3, "the time lies outside the years 1900 to 2199"),
    ]


def test_times_ahead_of_the_clock_are_set_aside(tmp_path: Path) -> None:
    ahead = NOW + timedelta(minutes=59), NOW + timedelta(minutes=61)
    take_times(tmp_path, *(f"{time:%Y-%m-%dT%H:%M:%SZ}" for time in ahead))
    assert instants(tmp_path, "DP") == [ahead[0]]
    assert [(line, reason) for line, _, _, reason in aside(tmp_path)] == [(3, FUTURE)]


def test_the_site_file_says_how_far_ahead_and_how_far_back(tmp_path: Path) -> None:
    pins = TakeIn.model_validate({"future_tolerance": "2 h", "earliest": "2026-01-01"})
    times = "2030-01-01T01:30:00Z", "2030-01-01T02:30:00Z", "2025-12-31T23:59:59Z"
    take_times(tmp_path, *times, "2026-01-01T00:00:00Z", pins=pins)
    assert [line for line, *_ in aside(tmp_path)] == [3, 4]


@pytest.mark.parametrize("text", ["1970-01-01T00:00:00Z", "1904-01-01T00:00:00Z"])
def test_a_clock_that_was_never_set_is_set_aside(tmp_path: Path, text: str) -> None:
    take_times(tmp_path, text, "2026-03-31T04:00:00Z")
    assert [(line, reason) for line, _, _, reason in aside(tmp_path)] == [(2, TOO_EARLY)]


def test_a_clock_set_back_is_said_and_the_last_sample_counts(tmp_path: Path) -> None:
    clocks = ["05:00", "05:10", "05:20", "05:10", "05:20", "05:30"]
    lines = [f"2026-03-02T{clock}:00Z;{number}\n" for number, clock in enumerate(clocks)]
    result = taken(tmp_path, "time;DP\n" + "".join(lines))
    assert "runs back 1 times (first on line 5)" in result.message
    assert [value for _, _, value, _ in stored(tmp_path)] == [0.0, 3.0, 4.0, 5.0]
    assert [line for line, *_ in aside(tmp_path)] == [3, 4]


@pytest.mark.parametrize(
    ("minutes", "tags", "jumps"),
    [
        ([0, 1, 2, 3], None, []),
        ([3, 2, 1, 0], None, []),
        ([0, 5, 4.5, 6], None, []),  # half a minute: stamps of one scan
        ([0, 5, 1, 6], None, [2]),
        ([9, 8, 7, 9, 8, 7, 6], None, [2]),  # newest first: read from the end
        ([0, 5, 9, 0, 5, 9], [0, 0, 0, 1, 1, 1], []),
        ([0, 0, 5, 5, 1, 6, 7, 8], [0, 1, 0, 1, 0, 1, 0, 0], [4]),
        ([], None, []),
    ],
)
def test_where_the_time_runs_back(
    minutes: list[float], tags: list[int] | None, jumps: list[int]
) -> None:
    time_us = (np.array(minutes) * 60e6).astype(np.int64)
    places = np.arange(len(minutes))
    tag = np.array(tags or [0] * len(minutes), np.uint32)
    for size in (1, 3, len(minutes) + 1):  # rows a table
        found = Jumps()
        for first in places[::size]:
            table = slice(int(first), int(first) + size)
            found.add(tag[table], time_us[table], places[table] + 1)
        assert found.found() == (len(jumps), jumps[0] + 1 if jumps else 0)


def test_the_doubled_hour_is_no_jump(tmp_path: Path) -> None:
    start, zone = datetime(2026, 10, 24, 22, tzinfo=UTC), ZoneInfo("Europe/Vienna")
    every = [start + timedelta(minutes=10) * number for number in range(150)]
    walls = [f"{instant.astimezone(zone):%Y-%m-%d %H:%M:%S}" for instant in every]
    lines = [f"{wall};1\n" for wall in walls]
    assert taken(tmp_path, "time;DP\n" + "".join(lines)).message == ""


def test_a_count_that_leaves_the_range_of_whole_numbers_is_no_instant(tmp_path: Path) -> None:
    """2.3e18 ms are microseconds that wrap around 2^64 125 times, onto the same day."""
    good, wrapped_us = 1_772_409_600_000, 1_772_413_200_000_000
    count = (125 * 2**64 + wrapped_us) // 1000
    pins = TakeIn(time_format="epoch ms")
    assert take_times(tmp_path, str(good), str(count), pins=pins) == [
        datetime.fromtimestamp(good / 1000, UTC)
    ]
    assert [raw for _, _, raw, _ in aside(tmp_path)] == [f"{count};1"]
