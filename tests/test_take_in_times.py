"""Times in every written form become the right instants, also when the clocks change."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from exports import ZONE, aside, instants, taken
from hypothesis import given
from hypothesis import strategies as st

from rowcall.site import TakeIn
from rowcall.take_in import Outcome
from rowcall.take_in.time_forms import time_form
from rowcall.take_in.wall import to_utc

VIENNA = ZoneInfo("Europe/Vienna")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _take_times(
    folder: Path, *times: str, pins: TakeIn | None = None, zone: str = ZONE
) -> list[datetime]:
    lines = [f"{time};{number}\n" for number, time in enumerate(times)]
    result = taken(folder, "time;DP\n" + "".join(lines), pins=pins, zone=zone)
    assert result.outcome is Outcome.STORED, result.message
    return instants(folder, "DP")


# RFC 3339, section 5.8; a leap second is the same instant as the second that follows it.
@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("1985-04-12T23:20:50.52Z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
        ("1996-12-19T16:39:57-08:00", datetime(1996, 12, 20, 0, 39, 57, 0, UTC)),
        ("1990-12-31T23:59:60Z", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1990-12-31T15:59:60-08:00", datetime(1991, 1, 1, 0, 0, 0, 0, UTC)),
        ("1937-01-01T12:00:27.87+00:20", datetime(1937, 1, 1, 11, 40, 27, 870_000, UTC)),
        ("1985-04-12t23:20:50.52z", datetime(1985, 4, 12, 23, 20, 50, 520_000, UTC)),
    ],
)
def test_examples_of_rfc_3339(tmp_path: Path, text: str, instant: datetime) -> None:
    assert _take_times(tmp_path, text) == [instant]


SIX = datetime(2026, 3, 31, 4, 0, 0, tzinfo=UTC)  # 06:00 on the wall in Vienna (summer time)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-31T06:00:00+02:00",
        "2026-03-31 06:00:00 +0200",
        "2026-03-31 04:00:00Z",
        "2026-03-31 04:00:00 UTC",
        "20260331T060000",
        "2026-03-31 06:00",
        "2026/03/31 06:00:00",
        "31.03.2026 06:00:00",
        "31.3.2026 6:00:00",
        "31/03/2026 06:00:00.000",
        "03/31/2026 06:00:00 AM",
        "3/31/2026 6:00 AM",
        "31-Mar-2026 06:00:00",
        "31-Mar-26 06:00:00,000",
        "1774929600",
        "1774929600.0",
        "1774929600000",
        "1774929600000000",
    ],
)
def test_written_forms(tmp_path: Path, text: str) -> None:
    assert _take_times(tmp_path, text) == [SIX]


def test_fractions_may_come_and_go(tmp_path: Path) -> None:
    found = _take_times(tmp_path, "2026-03-31T04:00:00Z", "2026-03-31T04:00:00.125Z")
    assert found == [SIX, SIX + timedelta(milliseconds=125)]


@pytest.mark.parametrize(
    ("times", "day", "month"),
    [
        (("03/02/2026 00:00:00", "13/02/2026 00:00:00"), 3, 2),
        (("03/02/2026 00:00:00", "03/13/2026 00:00:00"), 2, 3),
    ],
)
def test_day_or_month_first_is_decided_by_the_whole_file(
    tmp_path: Path, times: tuple[str, str], day: int, month: int
) -> None:
    first = _take_times(tmp_path, *times, zone="UTC")[0]
    assert (first.day, first.month) == (day, month)


@pytest.mark.parametrize(
    "times", [("03/02/2026 01:00:00",), ("13/02/2026 00:00", "02/13/2026 00:00")]
)
def test_an_open_order_of_day_and_month_is_asked_for(
    tmp_path: Path, times: tuple[str, ...]
) -> None:
    result = taken(tmp_path, "time;DP\n" + "".join(f"{time};1\n" for time in times))
    assert result.outcome is Outcome.REFUSED
    assert "take_in.time_format" in result.message
    assert "'time'" in result.message


def test_the_site_file_settles_day_and_month(tmp_path: Path) -> None:
    pins = TakeIn(time_format="%m/%d/%Y %H:%M:%S")
    assert _take_times(tmp_path, "03/02/2026 01:00:00", pins=pins, zone="UTC")[0].month == 3


def test_a_form_that_only_the_site_file_knows(tmp_path: Path) -> None:
    pins = TakeIn(time_format="%Y-%j %H.%M.%S")
    assert _take_times(tmp_path, "2026-090 06.00.00", pins=pins) == [SIX]


def test_an_unreadable_time_is_set_aside_with_its_line(tmp_path: Path) -> None:
    _take_times(tmp_path, "2026-03-31T04:00:00Z", "yesterday", "2026-02-30T00:00:00Z")
    assert [(line, column, raw) for line, column, raw, _ in aside(tmp_path)] == [
        (3, "time", "yesterday;1"),
        (4, "time", "2026-02-30T00:00:00Z;2"),
    ]


def test_the_missing_hour_of_spring_is_set_aside(tmp_path: Path) -> None:
    found = _take_times(
        tmp_path, "2026-03-29 01:59:59", "2026-03-29 02:30:00", "2026-03-29 03:00:00"
    )
    assert found == [
        datetime(2026, 3, 29, 0, 59, 59, tzinfo=UTC),
        datetime(2026, 3, 29, 1, 0, 0, tzinfo=UTC),
    ]
    assert aside(tmp_path) == [
        (3, "time", "2026-03-29 02:30:00;1", "the clocks jumped over this local time")
    ]


def _every(step_s: int, start: datetime, end: datetime) -> list[datetime]:
    count = int((end - start).total_seconds()) // step_s
    return [start + timedelta(seconds=step_s * number) for number in range(count)]


AUTUMN = (datetime(2026, 10, 24, 22, tzinfo=UTC), datetime(2026, 10, 25, 23, tzinfo=UTC))


@pytest.mark.parametrize("step_s", [60, 900, 1800, 3600])
@pytest.mark.parametrize("newest_first", [False, True])
def test_the_doubled_hour_of_autumn_goes_by_order(
    tmp_path: Path, step_s: int, newest_first: bool
) -> None:
    every = _every(step_s, *AUTUMN)
    walls = [f"{instant.astimezone(VIENNA):%d.%m.%Y %H:%M:%S}" for instant in every]
    found = _take_times(tmp_path, *(walls[::-1] if newest_first else walls))
    assert found == every


@pytest.mark.parametrize("by_tag", [False, True])
def test_the_doubled_hour_in_long_exports(tmp_path: Path, by_tag: bool) -> None:
    # C changes only twice in the doubled hour: among the other tags' rows that is enough.
    every = {tag: _every(60, *AUTUMN) for tag in ("A", "B")}
    every["C"] = [every["A"][0], every["A"][150], every["A"][200]]
    rows = [(tag, instant) for tag, column in every.items() for instant in column]
    if not by_tag:
        rows.sort(key=lambda row: row[1])
    lines = [f"{tag};{instant.astimezone(VIENNA):%Y-%m-%d %H:%M:%S};1" for tag, instant in rows]
    taken(tmp_path, "tag;time;value\n" + "\n".join(lines))
    assert instants(tmp_path, "A") == every["A"]
    assert instants(tmp_path, "B") == every["B"]
    assert instants(tmp_path, "C") == every["C"]


def test_a_file_that_begins_within_the_doubled_hour_goes_by_what_follows(tmp_path: Path) -> None:
    found = _take_times(tmp_path, "2026-10-25 02:50:00", "2026-10-25 03:00:00")
    assert found[0] == datetime(2026, 10, 25, 1, 50, tzinfo=UTC)


def test_a_doubled_hour_in_no_order_is_set_aside(tmp_path: Path) -> None:
    walls = ["01:00", "02:40", "02:10", "02:50", "02:20", "04:00"]
    found = _take_times(tmp_path, *(f"2026-10-25 {wall}:00" for wall in walls))
    assert len(found) == 2
    assert [line for line, *_ in aside(tmp_path)] == [3, 4, 5, 6]


def test_a_file_wholly_within_the_doubled_hour_tells_nothing(tmp_path: Path) -> None:
    result = taken(tmp_path, "time;DP\n2026-10-25 02:10:00;1\n2026-10-25 02:20:00;2\n")
    assert result.outcome is Outcome.REFUSED
    assert "occurs twice" in result.message


@given(
    st.sampled_from(["Europe/Vienna", "America/Chicago", "Australia/Lord_Howe", "Asia/Kolkata"]),
    st.integers(0, 40 * 365 * 86_400),
    st.integers(1, 4000),
)
def test_wall_times_lead_back_to_their_instants(zone: str, start_s: int, step_s: int) -> None:
    # Checked against the standard library's zoneinfo.
    local = ZoneInfo(zone)
    every = [EPOCH + timedelta(seconds=start_s + step_s * number) for number in range(200)]
    walls = [instant.astimezone(local).replace(tzinfo=UTC) for instant in every]
    wall_us = np.array([(wall - EPOCH) // timedelta(microseconds=1) for wall in walls])
    resolved = to_utc(wall_us, local, None)
    for instant, us, unclear in zip(every, resolved.time_us, resolved.unclear, strict=True):
        if instant.astimezone(local).fold or _is_doubled(instant, local):
            continue  # by order, in the tests above
        assert not unclear
        assert EPOCH + timedelta(microseconds=int(us)) == instant
    assert not resolved.missing.any()


def _is_doubled(instant: datetime, zone: ZoneInfo) -> bool:
    wall = instant.astimezone(zone)
    return wall.replace(fold=1).utcoffset() != wall.replace(fold=0).utcoffset()


@pytest.mark.parametrize(
    "text", ["", "12", "Good", "2026", "12:30:00", "1.5", "123456789012345678901"]
)
def test_what_is_no_time(text: str) -> None:
    assert time_form(text) is None


@pytest.mark.parametrize("zone", ["+14:00", ""])
def test_a_time_out_of_all_bounds_is_set_aside(tmp_path: Path, zone: str) -> None:
    _take_times(
        tmp_path,
        f"9999-12-31 23:59:59{zone}",
        f"0001-01-01 00:00:00{zone}",
        f"2026-03-31 06:00:00{zone}",
    )
    assert [(line, reason) for line, _, _, reason in aside(tmp_path)] == [
        (2, "the time lies outside the years 1900 to 2199"),
        (3, "the time lies outside the years 1900 to 2199"),
    ]
