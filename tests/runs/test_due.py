"""Which days are due: those with data, and short gaps between them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from rowcall.runs.due import MAX_EMPTY_DAYS, Due, Tried, days_to_judge, left_out
from rowcall.store.nights.judgements import Judged

NEW = Tried({}, {}, lambda: "settings")
LAST = date(2026, 3, 30)


def due(*complete: date, tried: Tried = NEW) -> list[Due]:
    return days_to_judge(complete, dict.fromkeys(complete, 1), tried)


def test_a_short_gap_is_due_day_by_day() -> None:
    first = LAST - timedelta(days=MAX_EMPTY_DAYS + 1)
    found = due(first, LAST)
    assert [one.day for one in found] == [first + timedelta(days=n) for n in range(16)]
    assert [one.file_id for one in found] == [1, *[0] * MAX_EMPTY_DAYS, 1]
    assert left_out([first, LAST], found) == []


def test_of_a_longer_gap_no_day_is_due_and_one_line_says_so() -> None:
    stray, first = date(2000, 1, 1), LAST - timedelta(days=MAX_EMPTY_DAYS + 2)
    found = due(stray, first, LAST)
    assert [one.day for one in found] == [stray, first, LAST]
    (line,) = left_out([stray, first, LAST], found)
    n_days = (LAST - stray).days - 2
    assert line.startswith(f"{n_days} days between 2000-01-01 and 2026-03-30 are left out")


def test_a_gap_that_was_said_before_is_not_said_again() -> None:
    stray, newest = date(2000, 1, 1), LAST + timedelta(days=1)
    known = {
        day: Judged(1, "settings", 1, datetime(2026, 4, 1, tzinfo=UTC)) for day in (stray, LAST)
    }
    complete = (stray, LAST, newest)
    found = due(*complete, tried=Tried(known, {}, lambda: "settings"))
    assert [one.day for one in found] == [newest]
    assert left_out(complete, found) == []
