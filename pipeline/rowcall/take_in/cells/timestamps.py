"""A column of instants as UTC microseconds, with the reason where a cell is none."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar

import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.cells.overrides import edit, shown
from rowcall.take_in.cells.time_formats import EPOCH_FIRST_S, EPOCH_LAST_S, TimeForm
from rowcall.take_in.outcome import FUTURE

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

Text = TypeVar("Text", pl.Series, pl.Expr)

DATE_CELL = 13  # characters; a date of numbers and the hour behind it

UNREADABLE = "the time cannot be read in the form that the file uses"
MISSING_HOUR = "the clocks jumped over this local time"
UNCLEAR_HOUR = (
    "this hour occurs twice, and nothing in the file shows which is meant; export times in UTC or "
    "with their offset, or give take_in.time_zone in the site file"
)
OUT_OF_RANGE = "the time lies outside the years 1900 to 2199"
TOO_EARLY = "the time lies before take_in.earliest of the site file"

_FIRST_US, _PAST_US = -2_208_988_800_000_000, 7_258_118_400_000_000  # 1900 and 2200, since 1970
_PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
_FRACTIONS = ("", ".%3f", ".%6f")  # of a second; the engine is quick where the digits are fixed
_DATE_HOUR = re.compile(r"\s*(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})\D+(\d{1,2})")
# Of an export whose times go on hour by hour, dates change within hours in the true order of day
# and month, and by a month in the other. Chosen: half a day more than a day, and most of a month.
_GOES_ON_H, _JUMPS_H, _MIN_HOURS_A_DAY = 36, 20 * 24, 2
_DAY_MONTH = re.compile(r"\s*(\d{1,2})[-/.](\d{1,2})")


@dataclass(frozen=True, slots=True)
class Parsed:
    """A column as read: `time` is i64 microseconds, null where unreadable; wall time or UTC."""

    time: pl.Series
    is_utc: bool


@dataclass(frozen=True, slots=True)
class Times:
    """Instants, which hold where `reason` (u8, a place in `REASONS`) is 0."""

    time_us: npt.NDArray[np.int64]
    reason: npt.NDArray[np.uint8]


REASONS = ("", UNREADABLE, MISSING_HOUR, UNCLEAR_HOUR, OUT_OF_RANGE, TOO_EARLY, FUTURE)


@dataclass(frozen=True, slots=True)
class Bounds:
    """The instants that can be true, in UTC microseconds: from `first_us` until `last_us`."""

    first_us: int = _FIRST_US
    last_us: int = _PAST_US

    @classmethod
    def of(cls, earliest: date, now: datetime, tolerance_s: float) -> Bounds:
        """Return the bounds of a run at the instant `now`."""
        first = datetime.combine(earliest, time(), UTC)
        return cls(
            max(_FIRST_US, _us(first)), min(_PAST_US, _us(now + timedelta(seconds=tolerance_s)))
        )


def unbound(parsed: Parsed) -> Times:
    """Return a column as read, wall times as they are, with reasons for what is no time."""
    time_us = parsed.time.fill_null(0).to_numpy()
    reason = parsed.time.is_null().cast(pl.UInt8).to_numpy(writable=True)
    outside = (time_us < _FIRST_US) | (time_us >= _PAST_US)
    if outside.any():
        reason[outside & (reason == 0)] = REASONS.index(OUT_OF_RANGE)
    return Times(time_us, reason)


def bound(times: Times, bounds: Bounds) -> Times:
    """Return UTC instants with reasons for those that cannot be true."""
    time_us, reason = times.time_us, times.reason
    for mask, text in ((time_us < bounds.first_us, TOO_EARLY), (time_us > bounds.last_us, FUTURE)):
        if mask.any():
            reason[mask & (reason == 0)] = REASONS.index(text)
    return times


def _us(instant: datetime) -> int:
    return (instant - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class Order:
    """The order of day and month in a file's dates, and in a few words what decided it."""

    day_first: bool
    why: str


def order_of(cells: pl.Series, form: TimeForm, place: str) -> Order:
    """Return the order of day and month of a form that leaves it open, from every date of a file.

    Raises:
        ExportError: the file does not decide it, or contradicts the site file; `place` names
            file and column.
    """
    pairs = [
        (int(match[1]), int(match[2]))
        for text in cells.str.strip_chars_start().str.head(6).unique().to_list()
        if (match := _DAY_MONTH.match(text or ""))
    ]
    day_first = any(first > 12 for first, _ in pairs)
    month_first = any(second > 12 for _, second in pairs)
    example = str(cells.drop_nulls().first() or "")
    if form.day_first is not None:
        if (day_first, month_first) == (not form.day_first, form.day_first):
            raise ExportError(
                f"{place}: {edit('day_first', form.day_first)} in the site file, but no date "
                f"bears it out and some contradict it (the first is {shown(example)}); "
                f"set {edit('day_first', not form.day_first)}."
            )
        return Order(form.day_first, "by take_in.day_first of the site file")
    if day_first != month_first:
        seat = "first" if day_first else "second"
        return Order(day_first, f"by numbers above 12 in the {seat} place")
    if not day_first and ".%m." in form.pattern:
        return Order(True, "by the custom of dates with points; no date contradicts or proves it")
    if not day_first and (paced := _order_by_pace(cells)) is not None:
        return Order(paced, "by the pace of the times, which the other order breaks")
    found = "fit neither order throughout" if day_first else "could be day-first or month-first"
    raise ExportError(
        f"{place}: dates such as {shown(example)} {found}; give {edit('day_first', True)} "
        "(or false) in the site file."
    )


def _order_by_pace(cells: pl.Series) -> bool | None:
    """Return whether only day-first (or only month-first) lets the times go on, None where open."""
    found = [_DATE_HOUR.match(text or "") for text in cells.to_list()]
    every = dict.fromkeys(tuple(map(int, match.groups())) for match in found if match)
    hours = [hour for hour in every if all(hour[:3])]  # damaged dates may hold zeros
    if len(hours) < _MIN_HOURS_A_DAY * len({hour[:3] for hour in hours}):
        return None
    longest = []
    for day, month in ((0, 1), (1, 0)):
        times = [datetime(hour[2], hour[month], hour[day], hour[3] % 24) for hour in hours]
        steps = [abs(b - a) / timedelta(hours=1) for a, b in pairwise(times)]
        longest.append(max(steps, default=0.0))
    if min(longest) > _GOES_ON_H or max(longest) < _JUMPS_H:
        return None
    return longest[0] < longest[1]


def quick_times(text: pl.Expr, form: TimeForm, sample: Sequence[str]) -> pl.Expr:
    """Return a column of text as microseconds, by the quickest pattern that reads a sample of it.

    Quick are patterns of fixed width. They read less than the form's own, and nothing otherwise.
    """
    cells = _with_point(pl.Series(sample, dtype=pl.String), form)
    fixed = [form.pattern.replace("%.f", digits).replace("%#z", "Z") for digits in _FRACTIONS]
    fitting = (one for one in fixed if is_usable(one) and not _strptime(cells, one).null_count())
    return _strptime(_with_point(text, form), next(fitting, form.pattern))


def parse_times(cells: pl.Series, form: TimeForm, quick: pl.Series | None = None) -> Parsed:
    """Read a column of text in a form whose order of day and month is settled, or a typed one.

    Args:
        quick: what `quick_times` brings of it.
    """
    kind = cells.dtype
    if isinstance(kind, pl.Datetime):
        return Parsed(cells.dt.cast_time_unit("us").to_physical(), kind.time_zone is not None)
    if kind == pl.Date:
        return Parsed(cells.cast(pl.Datetime("us")).to_physical(), False)
    if form.epoch:
        return Parsed(_from_epoch(cells, _PER_SECOND[form.epoch]), True)
    text = _with_point(cells.cast(pl.String), form)
    if quick is None:
        parsed = _strptime(text, form.pattern)
    else:
        parsed = _filled(quick, text, lambda left: _strptime(left, form.pattern))
    return Parsed(_filled(parsed, text, lambda left: _carefully(left, form)), form.has_offset)


def is_usable(pattern: str) -> bool:
    """True where times can be read by a pattern, whichever they are."""
    try:
        _strptime(pl.Series(["0"]), pattern)
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        return False
    return True


def _filled(
    parsed: pl.Series, text: pl.Series, again: Callable[[pl.Series], pl.Series]
) -> pl.Series:
    """Return the instants, those missing so far read in another way."""
    if not parsed.null_count():
        return parsed
    rows = parsed.is_null().arg_true()
    return parsed.scatter(rows, again(text[rows]))


def _carefully(text: pl.Series, form: TimeForm) -> pl.Series:
    """Allow for padding, lower-case t and z, and seconds that some rows lack or have."""
    plain = text.str.strip_chars().str.to_uppercase()
    if "," not in form.pattern:
        plain = plain.str.replace(",", ".", literal=True)
    parsed = _strptime(plain, form.pattern)
    return _filled(parsed, plain, lambda left: _strptime(left, _other_seconds(form.pattern)))


def _other_seconds(pattern: str) -> str:
    """Return a pattern without the seconds that it has, or with those that it lacks."""
    with_seconds = ":%M:%S%.f"
    if with_seconds in pattern:
        return pattern.replace(with_seconds, ":%M")
    return pattern.replace(":%M", with_seconds) if ":%S" not in pattern else pattern


def _with_point(text: Text, form: TimeForm) -> Text:
    return text.str.replace(",", ".", literal=True) if form.comma else text


def _strptime(text: Text, pattern: str) -> Text:
    if "%y" in pattern or "%Y%m" in pattern:
        # The engine's quick reader takes other signs for digits of such years; a blank, which
        # nothing need fit, turns it off.
        pattern += " "
    parsed = text.str.to_datetime(pattern, strict=False, time_unit="us", ambiguous="null")
    return parsed.to_physical()


def _from_epoch(cells: pl.Series, per_second: int) -> pl.Series:
    """Whole numbers exactly; with a fraction, to the nearest microsecond."""
    number = cells.cast(pl.Float64, strict=False)
    whole = cells.cast(pl.Int64, strict=False)
    if per_second <= 1_000_000:
        exact = whole * (1_000_000 // per_second)
    else:
        exact = whole // (per_second // 1_000_000)
    rounded = (number * (1_000_000 / per_second)).round().cast(pl.Int64, strict=False)
    parsed = exact.zip_with(exact.is_not_null(), rounded)
    # What left the range of i64 on the way lies outside these bounds too.
    inside = number.is_between(EPOCH_FIRST_S * per_second, EPOCH_LAST_S * per_second)
    return parsed.zip_with(inside.fill_null(False), pl.Series([None], dtype=pl.Int64))
