"""A column of instants as UTC microseconds, with the reason where a cell is none."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.time_forms import EPOCH_FIRST_S, EPOCH_LAST_S, TimeForm
from rowcall.take_in.wall import to_utc

UNREADABLE = "the time cannot be read in the form that the file uses"
MISSING_HOUR = "the clocks jumped over this local time"
UNCLEAR_HOUR = "this hour occurs twice, and nothing in the file tells which is meant"
OUT_OF_RANGE = "the time lies outside the years 1900 to 2199"

_FIRST_US, _PAST_US = -2_208_988_800_000_000, 7_258_118_400_000_000
_PER_SECOND = {"s": 1, "ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
_DAY_MONTH = re.compile(r"\s*(\d{1,2})[-/.](\d{1,2})")


@dataclass(frozen=True, slots=True)
class Parsed:
    """A column as read: `time` is i64 microseconds, null where unreadable; wall time or UTC."""

    time: pl.Series
    is_utc: bool


@dataclass(frozen=True, slots=True)
class Times:
    """UTC instants, which hold where `reason` (u8, a place in `REASONS`) is 0."""

    time_us: npt.NDArray[np.int64]
    reason: npt.NDArray[np.uint8]


REASONS = ("", UNREADABLE, MISSING_HOUR, UNCLEAR_HOUR, OUT_OF_RANGE)


def in_utc(
    parsed: Parsed, zone: ZoneInfo, sequence: npt.NDArray[np.integer] | None = None
) -> Times:
    """Return the instants of a column.

    Args:
        parsed: the column, from `parse_times`.
        zone: the plant's zone, in which times without an offset are read.
        sequence: the number of the tag of each row, None where all rows are one sequence.
    """
    time_us = parsed.time.fill_null(0).to_numpy()
    reason = parsed.time.is_null().to_numpy().astype(np.uint8)
    outside = (time_us < _FIRST_US) | (time_us >= _PAST_US)
    if outside.any():
        reason[outside & (reason == 0)] = REASONS.index(OUT_OF_RANGE)
    if not parsed.is_utc:
        rows = np.flatnonzero(reason == 0)
        resolved = to_utc(time_us[rows], zone, None if sequence is None else sequence[rows])
        time_us = time_us.copy()
        time_us[rows] = resolved.time_us
        reason[rows[resolved.missing]] = REASONS.index(MISSING_HOUR)
        reason[rows[resolved.unclear]] = REASONS.index(UNCLEAR_HOUR)
    return Times(time_us, reason)


def settle_order(cells: pl.Series, form: TimeForm, place: str) -> TimeForm:
    """Decide day-first or month-first from every cell of the file.

    Raises:
        ExportError: the file does not decide it; `place` names file and column.
    """
    if not form.order_open:
        return form
    pairs = [
        (int(match[1]), int(match[2]))
        for text in cells.str.strip_chars_start().str.head(6).unique().to_list()
        if (match := _DAY_MONTH.match(text or ""))
    ]
    first, second = max((p[0] for p in pairs), default=0), max((p[1] for p in pairs), default=0)
    month_first = replace(
        form, pattern=form.pattern.replace("%d", "%_").replace("%m", "%d").replace("%_", "%m")
    )
    settled = {
        (True, False): replace(form, order_open=False),
        (False, True): replace(month_first, order_open=False),
    }.get((first > 12, second > 12))
    if settled is None and first <= 12 and second <= 12 and ".%m." in form.pattern:
        # Dates with points are written day first wherever points are the custom.
        settled = replace(form, order_open=False)
    if settled is None:
        found = (
            "fit neither day-first nor month-first throughout"
            if first > 12
            else "could be day-first or month-first"
        )
        example = cells.head(1).to_list()
        raise ExportError(
            f"{place}: dates such as {example[0] if example else ''!r} {found}; give "
            f"take_in.time_format in the site file, such as {plain_pattern(form.pattern)!r} or "
            f"{plain_pattern(month_first.pattern)!r}."
        )
    return settled


def plain_pattern(pattern: str) -> str:
    """Return a pattern as `take_in.time_format` takes it."""
    return pattern.replace("%.f", "").replace("%#z", "%z")


def parse_times(cells: pl.Series, form: TimeForm) -> Parsed:
    """Read a column of text in a form whose order of day and month is settled, or a typed one."""
    kind = cells.dtype
    if isinstance(kind, pl.Datetime):
        return Parsed(cells.dt.cast_time_unit("us").to_physical(), kind.time_zone is not None)
    if kind == pl.Date:
        return Parsed(cells.cast(pl.Datetime("us")).to_physical(), False)
    if form.epoch:
        return Parsed(_from_epoch(cells, _PER_SECOND[form.epoch]), True)
    text = cells.cast(pl.String)
    if form.comma:
        text = text.str.replace(",", ".", literal=True)
    parsed = _strptime(text, form.pattern)
    if parsed.null_count():
        # Padding and lower-case t and z are allowed but rare: only looked at when needed.
        rows = parsed.is_null().arg_true()
        again = _strptime(text[rows].str.strip_chars().str.to_uppercase(), form.pattern)
        parsed = parsed.scatter(rows, again)
    return Parsed(parsed, form.has_offset)


def _strptime(text: pl.Series, pattern: str) -> pl.Series:
    try:
        parsed = text.str.to_datetime(pattern, strict=False, time_unit="us", ambiguous="null")
    except pl.exceptions.PolarsError as error:
        raise ExportError(
            f"take_in.time_format {plain_pattern(pattern)!r} in the site file is not a usable "
            f"pattern of date and time ({error})."
        ) from error
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
    # A product that left the range of i64 differs from the rounded one, and is no instant.
    parsed = exact.zip_with(exact.is_not_null() & ((exact - rounded).abs() < 1_000_000), rounded)
    inside = number.is_between(EPOCH_FIRST_S * per_second, EPOCH_LAST_S * per_second)
    return parsed.zip_with(inside.fill_null(False), pl.Series([None], dtype=pl.Int64))
