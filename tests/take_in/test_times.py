"""The written forms of times, against the texts of RFC 3339 and ISO 8601; unreadable ones."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random

import polars as pl
import pytest
from helpers.exports import aside, counts, instants, take_times, taken

from rowcall.site import TakeIn
from rowcall.take_in import Outcome
from rowcall.take_in.cells.time_formats import time_form
from rowcall.take_in.cells.timestamps import UNREADABLE, parse_times, quick_times


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
    pins = TakeIn(earliest=date(1900, 1, 1))
    assert take_times(tmp_path, text, pins=pins) == [instant]


# ISO 8601:2004, 4.3.2, the representations of date and time of day, basic and extended.
@pytest.mark.parametrize(
    ("text", "hour"),
    [
        ("19850412T101530", 10),
        ("19850412T101530Z", 10),
        ("19850412T101530+0400", 6),
        ("19850412T101530+04", 6),
        ("1985-04-12T10:15:30", 10),
        ("1985-04-12T10:15:30Z", 10),
        ("1985-04-12T10:15:30+04:00", 6),
        ("1985-04-12T10:15:30+04", 6),
    ],
)
def test_examples_of_iso_8601(tmp_path: Path, text: str, hour: int) -> None:
    pins = TakeIn(earliest=date(1985, 1, 1))
    found = take_times(tmp_path, text, pins=pins, zone="UTC")
    assert found == [datetime(1985, 4, 12, hour, 15, 30, tzinfo=UTC)]


def test_what_of_iso_8601_is_not_read(tmp_path: Path) -> None:
    """Midnight as hour 24, ordinal dates and week dates; 4.2.3, 4.3.3."""
    take_times(
        tmp_path,
        "2026-03-31T04:00:00Z",
        "2026-03-31T24:00:00Z",
        "2026-090T04:00:00Z",
        "2026-W14-2T04:00:00Z",
    )
    assert [row[0] for row in aside(tmp_path)] == [3, 4, 5]


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
    assert take_times(tmp_path, text) == [SIX]


def test_fractions_may_come_and_go(tmp_path: Path) -> None:
    found = take_times(tmp_path, "2026-03-31T04:00:00Z", "2026-03-31T04:00:00.125Z")
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
    first = take_times(tmp_path, *times, zone="UTC")[0]
    assert (first.day, first.month) == (day, month)


@pytest.mark.parametrize(
    "times", [("03/02/2026 01:00:00",), ("13/02/2026 00:00", "02/13/2026 00:00")]
)
def test_an_open_order_of_day_and_month_is_asked_for(
    tmp_path: Path, times: tuple[str, ...]
) -> None:
    result = taken(tmp_path, "time;DP\n" + "".join(f"{time};1\n" for time in times))
    assert result.outcome is Outcome.REFUSED
    assert "take_in.day_first" in result.message
    assert "'time'" in result.message


def test_the_site_file_settles_day_and_month(tmp_path: Path) -> None:
    pins = TakeIn(time_format="%m/%d/%Y %H:%M:%S")
    assert take_times(tmp_path, "03/02/2026 01:00:00", pins=pins, zone="UTC")[0].month == 3


def test_a_form_that_only_the_site_file_knows(tmp_path: Path) -> None:
    pins = TakeIn(time_format="%Y-%j %H.%M.%S")
    assert take_times(tmp_path, "2026-090 06.00.00", pins=pins) == [SIX]


def test_an_unreadable_time_is_set_aside_with_its_line(tmp_path: Path) -> None:
    take_times(tmp_path, "2026-03-31T04:00:00Z", "yesterday", "2026-02-30T00:00:00Z")
    assert [(line, column, raw) for line, column, raw, _ in aside(tmp_path)] == [
        (3, "time", "yesterday;1"),
        (4, "time", "2026-02-30T00:00:00Z;2"),
    ]


@pytest.mark.parametrize(
    "text", ["", "12", "Good", "2026", "12:30:00", "1.5", "123456789012345678901"]
)
def test_what_is_no_time(text: str) -> None:
    assert time_form(text) is None


@pytest.mark.parametrize("text", ["12/03/2026 06:00:00", "03/12/2025 06:00:00"])
def test_a_twelve_may_be_a_day_or_a_month(tmp_path: Path, text: str) -> None:
    result = taken(tmp_path, f"time;DP\n{text};1\n")
    assert result.outcome is Outcome.REFUSED
    assert "day-first or month-first" in result.message


@pytest.mark.parametrize(
    "sample",
    [
        "2026-03-14T05:06:07Z",
        "2026-03-14 05:06:07.123",
        "2026-03-14 05:06:07,123456",
        "14.03.2026 05:06:07",
        "2026/03/14 05:06:07 AM",
        "14-Mar-2026 05:06:07",
        "14 Mar 26 05:06:07 UTC",
        "20260314 050607",
    ],
)
def test_the_quick_pattern_reads_nothing_otherwise_than_the_one_of_the_form(sample: str) -> None:
    form, rng = time_form(sample), Random(sample)
    assert form is not None
    texts = [sample]
    for _ in range(2_000):
        signs = list(sample)
        for _ in range(rng.randint(1, 3)):
            at = rng.randrange(len(signs))
            signs[at] = rng.choice(("", signs[at] + " ", *"00112233456789 .:-TZtzAP,+"))
        texts.append("".join(signs))
    cells = pl.Series("time", texts)
    read = cells.to_frame().select(quick_times(pl.col("time"), form, [sample])).to_series()
    assert read[0] is not None
    assert parse_times(cells, form, read).time.to_list() == parse_times(cells, form).time.to_list()


def test_a_sign_in_the_place_of_a_digit_is_no_year(tmp_path: Path) -> None:
    lines = [f"DP,{time},1.5\n" for time in ("14-Mar-26 05:06", "14-Mar-2Z 05:07")]
    taken(tmp_path, "tag,time,value\n" + "".join(lines))
    assert [(row[0], row[3]) for row in aside(tmp_path)] == [(3, UNREADABLE)]


def _walls(pattern: str, step: timedelta, count: int) -> list[str]:
    every = [datetime(2019, 2, 1, 0, 5) + step * number for number in range(count)]
    texts = [time.strftime(pattern) for time in every]
    return [re.sub(r"(?<![\d:])0(?=\d[/ :])", "", text) for text in texts]


@pytest.mark.parametrize("pattern", ["%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M", "%m/%d/%Y %I:%M:%S %p"])
@pytest.mark.parametrize("newest_first", [False, True])
def test_the_pace_of_the_times_shows_the_order_of_day_and_month(
    tmp_path: Path, pattern: str, newest_first: bool
) -> None:
    walls = _walls(pattern, timedelta(minutes=20), 5 * 72)
    found = take_times(tmp_path, *(walls[::-1] if newest_first else walls), zone="UTC")
    assert (found[0], found[-1]) == (
        datetime(2019, 2, 1, 0, 5, tzinfo=UTC),
        datetime(2019, 2, 5, 23, 45, tzinfo=UTC),
    )


@pytest.mark.parametrize(
    ("step", "count"), [(timedelta(days=1), 6), (timedelta(hours=1), 20)], ids=["daily", "one day"]
)
def test_times_that_go_on_in_either_order_are_asked_for(
    tmp_path: Path, step: timedelta, count: int
) -> None:
    """As of one row a day, which may as well be one a month."""
    walls = _walls("%m/%d/%Y %H:%M", step, count)
    result = taken(tmp_path, "time;DP\n" + "".join(f"{wall};1\n" for wall in walls))
    assert "day-first or month-first" in result.message


@pytest.mark.parametrize(
    ("usual", "odd", "second"),
    [("%H:%M:%S", "06:07", 0), ("%H:%M:%S.%f", "06:07", 0), ("%H:%M", "06:07:30", 30)],
)
def test_seconds_may_be_lacking_or_given_on_some_rows_only(
    tmp_path: Path, usual: str, odd: str, second: int
) -> None:
    clocks = [f"{datetime(2026, 3, 14, 6, minute):{usual}}" for minute in range(7)]
    lines = [f"2026-03-14 {clock},T,1" for clock in (*clocks, odd)]
    result = taken(tmp_path, "\n".join(["time,tag,value", *lines, ""]))
    assert counts(result) == (8, 8, 0, 0, 0)
    assert instants(tmp_path, "T")[-1] == datetime(2026, 3, 14, 5, 7, second, tzinfo=UTC)
