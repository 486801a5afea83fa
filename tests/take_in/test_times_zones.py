"""Wall times to UTC: the hours that clocks skip and repeat, against zoneinfo."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl
import pytest
from helpers.exports import aside, instants, take_times, taken
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from rowcall.site import TakeIn
from rowcall.take_in import Outcome
from rowcall.take_in.cells.ambiguous_hour import AmbiguousHour
from rowcall.take_in.cells.timestamps import (
    MISSING_HOUR,
    REASONS,
    UNCLEAR_HOUR,
    Bounds,
    Parsed,
    Times,
)

VIENNA = ZoneInfo("Europe/Vienna")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def test_the_missing_hour_of_spring_is_set_aside(tmp_path: Path) -> None:
    found = take_times(
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
    found = take_times(tmp_path, *(walls[::-1] if newest_first else walls))
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


def _rows(rows: list[tuple[str, str]]) -> str:
    lines = [f"{tag};2026-10-25 {wall}:00;{number}" for number, (tag, wall) in enumerate(rows)]
    return "tag;time;value\n" + "\n".join(lines)


@pytest.mark.parametrize("step_s", [1800, 3600])
@pytest.mark.parametrize("newest_first", [False, True])
def test_hourly_points_of_several_tags_keep_both_passes(
    tmp_path: Path, step_s: int, newest_first: bool
) -> None:
    every = _every(step_s, *AUTUMN)
    rows = [(tag, instant) for instant in every for tag in "ABC"]
    lines = [f"{tag};{instant.astimezone(VIENNA):%Y-%m-%d %H:%M:%S};1" for tag, instant in rows]
    taken(tmp_path, "tag;time;value\n" + "\n".join(lines[::-1] if newest_first else lines))
    assert [instants(tmp_path, tag) for tag in "ABC"] == [every] * 3
    assert aside(tmp_path) == []


@pytest.mark.parametrize(
    "rows",
    [
        ["A02:00", "A02:00", "B02:00", "B02:00"],
        ["A02:00", "A02:00", "A02:30", "A02:30", "B02:30"],
        ["A02:00", "A02:00", "A02:00"],
    ],
)
def test_a_doubled_hour_sorted_by_wall_time_is_set_aside(tmp_path: Path, rows: list[str]) -> None:
    """Which of two rows at one wall time is the earlier is not told by their order then."""
    text = _rows([("A", "01:00"), *((row[0], row[1:]) for row in rows), ("A", "03:00")])
    taken(tmp_path, text)
    assert len(instants(tmp_path, "A")) == 2
    assert [(row[0], row[3]) for row in aside(tmp_path)] == [
        (number, UNCLEAR_HOUR) for number in range(3, 3 + len(rows))
    ]


def test_a_row_written_twice_in_the_doubled_hour_costs_only_itself(tmp_path: Path) -> None:
    walls = ["01:00", "02:00", "02:10", "02:10", "02:20", "02:25", "02:30"]
    taken(tmp_path, _rows([("A", wall) for wall in walls]))
    assert len(instants(tmp_path, "A")) == 5
    assert [row[0] for row in aside(tmp_path)] == [4, 5]


def test_a_tag_that_shows_one_pass_beside_others_with_two_is_set_aside(tmp_path: Path) -> None:
    a = [("A", wall) for wall in ("01:00", "02:10", "02:50", "02:20", "03:00")]
    b = [("B", wall) for wall in ("01:00", "02:40", "03:00")]
    taken(tmp_path, _rows([*a, *b]))
    assert len(instants(tmp_path, "A")) == 5
    assert [(row[0], row[3]) for row in aside(tmp_path)] == [(8, UNCLEAR_HOUR)]


def test_rows_in_no_common_order_are_told_apart_tag_by_tag(tmp_path: Path) -> None:
    first = [("A", "02:10"), ("B", "02:00"), ("A", "02:40"), ("B", "02:30")]
    rows = [("A", "01:00"), ("B", "01:00"), *first, *first, ("A", "03:00"), ("B", "03:00")]
    taken(tmp_path, _rows(rows))
    found = [f"{time:%H:%M}" for time in instants(tmp_path, "B")]
    assert found == ["23:00", "00:00", "00:30", "01:00", "01:30", "02:00"]
    assert aside(tmp_path) == []


def test_a_file_that_begins_within_the_doubled_hour_goes_by_what_follows(tmp_path: Path) -> None:
    found = take_times(tmp_path, "2026-10-25 02:50:00", "2026-10-25 03:00:00")
    assert found[0] == datetime(2026, 10, 25, 1, 50, tzinfo=UTC)


def test_an_hour_that_a_file_passes_only_once_is_set_aside(tmp_path: Path) -> None:
    """A pass may be missing, or the clock knows no summer time and is an hour off in summer."""
    lines = [f"2026-10-25 {n // 6:02d}:{n % 6}0:00;{n}\n" for n in range(30)]
    result = taken(tmp_path, "time;DP\n" + "".join(lines))
    assert [(line, reason) for line, *_, reason in aside(tmp_path)] == [
        (number, UNCLEAR_HOUR) for number in range(14, 20)
    ]
    assert "take_in.time_zone" in UNCLEAR_HOUR
    assert result.outcome is Outcome.STORED


@pytest.mark.parametrize(
    ("zone", "utc_hour"), [("UTC", 2), ("+01:00", 1), ("-03:30", 5), ("Africa/Lagos", 1)]
)
def test_the_site_file_names_the_zone_of_exports(tmp_path: Path, zone: str, utc_hour: int) -> None:
    walls = ["01:00", "02:00", "02:30", "03:00"]
    pins = TakeIn(time_zone=zone)
    found = take_times(tmp_path, *(f"2026-10-25 {wall}:00" for wall in walls), pins=pins)
    assert (found[1].hour, len(found), aside(tmp_path)) == (utc_hour, 4, [])


@pytest.mark.parametrize(
    "zone", ["Vienna", "Europe", "posix/UTC", "../UTC", "+1:00", "+15:00", "01:00", ""]
)
def test_an_unknown_zone_of_exports_is_refused(zone: str) -> None:
    with pytest.raises(ValidationError, match="time_zone"):
        TakeIn(time_zone=zone)


def test_a_doubled_hour_in_no_order_is_set_aside(tmp_path: Path) -> None:
    walls = ["01:00", "02:40", "02:10", "02:50", "02:20", "04:00"]
    found = take_times(tmp_path, *(f"2026-10-25 {wall}:00" for wall in walls))
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
    resolved = _in_utc(wall_us, local)
    for instant, us, reason in zip(every, resolved.time_us, resolved.reason, strict=True):
        if instant.astimezone(local).fold or _is_doubled(instant, local):
            continue  # by order, in the tests above
        assert not reason
        assert EPOCH + timedelta(microseconds=int(us)) == instant
    assert REASONS.index(MISSING_HOUR) not in resolved.reason


# Against the standard library's zoneinfo: north, south, half an hour (Lord Howe), an offset of
# three quarters, no change at all, a change in the other sense (Casablanca), a whole day left out
# (Apia, 30 December 2011).
ZONES = (
    "Europe/Vienna",
    "America/Chicago",
    "Australia/Sydney",
    "America/Santiago",
    "Australia/Lord_Howe",
    "Pacific/Chatham",
    "Asia/Tokyo",
    "Africa/Casablanca",
    "Pacific/Apia",
)


@pytest.mark.parametrize("zone", ZONES)
def test_every_change_of_a_zone_from_2010_to_2030(zone: str) -> None:
    local, changing = ZoneInfo(zone), _changing(zone)
    assert bool(changing) == (zone != "Asia/Tokyo")
    for start in changing or [datetime(2010, 1, 1, tzinfo=UTC)]:
        every = [start + timedelta(minutes=15) * number for number in range(-32, 128)]
        resolved = _in_utc(_walls(every, local), local)
        assert not resolved.reason.any()
        assert resolved.time_us.tolist() == [_us(instant) for instant in every]


@pytest.mark.parametrize("zone", ZONES)
def test_wall_times_that_never_were_are_missing(zone: str) -> None:
    """On every day of two years, and every half hour of those around a change."""
    local, day = ZoneInfo(zone), timedelta(days=1)
    first, half_hour = datetime(2011, 1, 1, 0, 15, tzinfo=UTC), timedelta(minutes=30)
    near = {(start + n * day).date() for start in _changing(zone) for n in range(-2, 4)}
    days = [first + n * day for n in range(2 * 365)]
    walls = [
        start + half_hour * n for start in days for n in range(48 if start.date() in near else 1)
    ]
    # A wall time that never was does not come back from UTC as it went there (PEP 495).
    never = [
        wall.replace(tzinfo=local).astimezone(UTC).astimezone(local).replace(tzinfo=UTC) != wall
        for wall in walls
    ]
    resolved = _in_utc(np.array([_us(wall) for wall in walls]), local)
    missing = resolved.reason == REASONS.index(MISSING_HOUR)
    assert missing.tolist() == never


@cache
def _changing(zone: str) -> list[datetime]:
    """Return the noons from 2010 to 2030, in UTC, between which and the next a zone changes."""
    local, day = ZoneInfo(zone), timedelta(days=1)
    noons = [datetime(2010, 1, 1, 12, tzinfo=UTC) + n * day for n in range(20 * 365 + 1)]
    offsets = [noon.astimezone(local).utcoffset() for noon in noons]
    return [
        noon for noon, (one, after) in zip(noons, pairwise(offsets), strict=False) if one != after
    ]


def _in_utc(wall_us: npt.NDArray[np.int64], zone: ZoneInfo) -> Times:
    """Return the instants of one sequence of wall times, read twice where that is needed."""
    parsed, lines, known = Parsed(pl.Series(wall_us), is_utc=False), np.arange(len(wall_us)), None
    for _ in range(2):
        hour = AmbiguousHour("day.csv", zone, Bounds(), known)
        times = hour.in_utc(parsed, None, lines)
        known = hour.passes()
    return times


def _walls(instants: list[datetime], zone: ZoneInfo) -> npt.NDArray[np.int64]:
    return np.array([_us(i.astimezone(zone).replace(tzinfo=UTC)) for i in instants], np.int64)


def _us(instant: datetime) -> int:
    return (instant - EPOCH) // timedelta(microseconds=1)


def _is_doubled(instant: datetime, zone: ZoneInfo) -> bool:
    wall = instant.astimezone(zone)
    return wall.replace(fold=1).utcoffset() != wall.replace(fold=0).utcoffset()
