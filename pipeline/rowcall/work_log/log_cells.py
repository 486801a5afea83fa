"""Cells of a work log to values: times, kinds of work, numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from difflib import get_close_matches
from zoneinfo import ZoneInfo

from rowcall.days import day_bounds, local_day
from rowcall.work_log.log_table import plain
from rowcall.work_log.problem import Column, Problem, quoted
from rowcall.work_log.work import Work

_TIME = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})"
    r"(?:[T ]+((?:[01][0-9]|2[0-3]):[0-5][0-9](?::[0-5][0-9](?:[.,][0-9]+)?)?)"
    r" *(Z|[+-][0-9]{2}(?::?[0-9]{2})?)?)?"
)
_DAY_MONTH = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})[./-]([0-9]{4})\b.*")
_SPAN = re.compile(r"([0-9]{1,4})(?:\s*[-\u2013]\s*([0-9]{1,4}))?")
_TIMES = "2026-03-12 or 2026-03-12 06:30"


@dataclass(frozen=True, slots=True)
class Moment:
    """When something was done, as `WorkEntry` has it."""

    at: datetime
    day: date
    is_timed: bool


def read_day(text: str) -> date:
    """Return the day that a time begins with, as written.

    Raises:
        Problem: it is not written as a time of the log, or there is no such day.
    """
    found = _TIME.fullmatch(text.upper())
    if not found:
        raise Problem(_no_time(text), Column.TIME)
    try:
        return date.fromisoformat(found[1])
    except ValueError as error:
        raise Problem(f"{quoted(text)}: there is no such day.", Column.TIME) from error


def read_moment(text: str, zone: ZoneInfo) -> Moment:
    """Return the instant of a time whose day was read.

    Args:
        zone: of times without an offset.

    Raises:
        Problem: there is no such instant, or there are two.
    """
    found = _TIME.fullmatch(text.upper())
    if not found or not found[2]:
        day = read_day(text)
        return Moment(day_bounds(day, zone)[0], day, is_timed=False)
    try:
        time = datetime.fromisoformat(f"{found[1]}T{found[2]}{found[3] or ''}")
    except ValueError as error:
        raise Problem(f"{quoted(text)}: there is no such offset.", Column.TIME) from error
    at = time.astimezone(UTC) if time.tzinfo else _instant(time, zone)
    return Moment(at, local_day(at, zone), is_timed=True)


def _instant(wall: datetime, zone: ZoneInfo) -> datetime:
    first, second = (wall.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    shown = wall.isoformat(" ", "minutes")
    if first.astimezone(zone).replace(tzinfo=None) != wall:
        text = f'"{shown}": the clock of {zone} was put forward past this time; check the hour.'
        raise Problem(text, Column.TIME)
    if first != second:
        both = " or ".join(
            one.astimezone(zone).isoformat(" ", "minutes") for one in (first, second)
        )
        text = f'"{shown}" came twice, as the clock of {zone} was put back; write {both}.'
        raise Problem(text, Column.TIME)
    return first


def _no_time(text: str) -> str:
    if not text:
        return f"the cell is empty; write the time, such as {_TIMES}."
    meant = ""
    if found := _DAY_MONTH.fullmatch(text):
        one, other, year = (int(part) for part in found.groups())
        days = [f"{year}-{m:02}-{d:02}" for d, m in {(one, other), (other, one)} if m <= 12]
        here = f", here {' or '.join(sorted(days))}" if days else ""
        meant = f"{here}; in a spreadsheet program, format the column as text first"
    return f"{quoted(text)} is not read as a time; write the year first, as {_TIMES}{meant}."


def read_work(text: str) -> Work:
    """Return the kind of work.

    Raises:
        Problem: there is no such kind.
    """
    by_name = {plain(kind): kind for kind in Work}
    if kind := by_name.get(plain(text)):
        return kind
    like = get_close_matches(plain(text), by_name, n=2)
    meant = " or ".join(f'"{by_name[name]}"' for name in like)
    said = f"{quoted(text)} is no kind of work" if text else "the cell is empty"
    advice = f"; is {meant} meant?" if meant else "."
    raise Problem(f"{said}{advice} Allowed are: {', '.join(Work)}.", Column.WORK)


def read_numbers(text: str, column: Column) -> tuple[int, ...]:
    """Return the numbers of a cell: none, `7`, `7, 10` or `7-9`.

    Raises:
        Problem: it holds something else.
    """
    numbers: list[int] = []
    for part in re.split(r"[,;]", text) if text else ():
        found = _SPAN.fullmatch(part.strip())
        low, high = (int(found[1]), int(found[2] or found[1])) if found else (0, 0)
        if not 1 <= low <= high:
            raise Problem(
                f"{quoted(text)} is no number; allowed are 7, several such as 7, 10 or 7-9 (which "
                "a spreadsheet program may turn into a date), and an empty cell.",
                column,
            )
        numbers += range(low, high + 1)
    return tuple(dict.fromkeys(numbers))
