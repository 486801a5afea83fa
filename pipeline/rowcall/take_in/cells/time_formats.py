"""The written forms of an instant that exports use, recognised from the text itself."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

_SHORT_DATES = ("%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%y", "%y-%m-%d", "%y/%m/%d")
_YMD = r"(?P<ymd>\d{4}(?P<s1>[-/.])\d{1,2}(?P=s1)\d{1,2})"
_NUM = r"(?P<num>\d{1,2}(?P<s2>[-/.])\d{1,2}(?P=s2)\d{4})"
_MON = r"(?P<mon>\d{1,2}(?P<s3>[- ])[A-Za-z]{3}(?P=s3)(?:\d{4}|(?P<short>\d{2})))"
_BASIC = r"(?P<basic>\d{8})"
_CLOCK = (
    r"\d{1,2}(?P<colon>:?)\d{2}(?P<second>(?P=colon)\d{2}(?P<frac>[.,]\d+)?)?"
    r"(?P<half> ?[AaPp][Mm])?"
)
_ZONE = r"(?P<zone> ?(?:[Zz]|[+-]\d{2}(?::?\d{2})?)| UTC| GMT)?"
_FORM = re.compile(rf"(?:{_YMD}|{_NUM}|{_MON}|{_BASIC})(?P<gap>[Tt ]+){_CLOCK}{_ZONE}")
_EPOCH = re.compile(r"(\d{9,19})(\.\d+)?")
_DATE = re.compile(rf"{_YMD}|{_NUM}|{_MON}|(?:19|20)\d{{6}}")
_TIME_OF_DAY = re.compile(rf"\d{{1,2}}:\d{{2}}(?::\d{{2}}(?:[.,]\d+)?)?(?: ?[AaPp][Mm])?{_ZONE}")
# Years 1990 to 2100: no two units of time since 1970 give numbers of the same size.
_EPOCH_UNITS = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
_DIRECTIVE = re.compile("%[aAbBcdfGHIjmMpSuUVwWxXyYzZ%]")
EPOCH_NAMES = {f"epoch {unit}": unit for unit in _EPOCH_UNITS}
EPOCH_FIRST_S, EPOCH_LAST_S = 631_152_000, 4_102_444_800  # those years, in seconds since 1970
# Of very many fields these are tried as times that stand apart, and as less usual forms of one; or
# a line of nothing but delimiters would take seconds. Chosen: one clock is usual, 300 take 0.1 s.
MAX_CLOCKS, MAX_GUESSED = 3, 300


@dataclass(frozen=True, slots=True)
class TimeForm:
    """How a column writes instants.

    Attributes:
        pattern: strftime-like, with %d and %m in the place of the two numbers of a numeric date
            whose order is still open; empty for numbers since 1970.
        epoch: `s`, `ms`, `us` or `ns` for numbers since 1970, else empty.
        has_offset: the text says how far from UTC it is.
        order_open: day-first or month-first has to be found out.
        comma: the fraction of the second stands after a comma.
        day_first: the site file's word on an open order.
    """

    pattern: str = ""
    epoch: str = ""
    has_offset: bool = False
    order_open: bool = False
    comma: bool = False
    day_first: bool | None = None


def time_form(text: str) -> TimeForm | None:
    """Return the form of one cell, None where it is not an instant."""
    match = _FORM.fullmatch(text.strip())
    if match is None:
        return _epoch_form(text.strip())
    date = _date_pattern(match)
    clock = _clock_pattern(match)
    zone = match["zone"] or ""
    literal = zone if zone in (" UTC", " GMT") else ""
    offset = "" if not zone or literal else (" " if zone.startswith(" ") else "") + "%#z"
    return TimeForm(
        pattern=f"{date}{match['gap']}{clock}{literal}{offset}",
        has_offset=bool(zone),
        order_open=match["num"] is not None,
        comma=(match["frac"] or "").startswith(","),
    )


def common_form(cells: Iterable[str]) -> TimeForm | None:
    """Return the form that most of the cells have, None where most are no instants."""
    counts: dict[TimeForm | None, int] = {}
    for cell in cells:
        form = time_form(cell)
        counts[form] = counts.get(form, 0) + 1
    return max(counts, key=counts.__getitem__, default=None)


def is_date(text: str) -> bool:
    """True for a date without a time of day."""
    return _DATE.fullmatch(text.strip()) is not None


def is_clock(text: str) -> bool:
    """True for a time of day without a date."""
    return _TIME_OF_DAY.fullmatch(text.strip()) is not None


def is_pattern(pattern: str) -> bool:
    """True where every "%" of a `take_in.time_format` begins a directive that Python knows."""
    return pattern in EPOCH_NAMES or "%" not in _DIRECTIVE.sub("", pattern)


def given_form(pattern: str) -> TimeForm:
    """Return the form of a `take_in.time_format`: as for Python's strptime, or `epoch ms`."""
    if pattern in EPOCH_NAMES:
        return TimeForm(epoch=EPOCH_NAMES[pattern], has_offset=True)
    # In the text engine's patterns "%.f" is a fraction with its point, and "%f" nanoseconds.
    comma = ",%f" in pattern
    chrono = pattern.replace(",%f", "%.f").replace(".%f", "%.f").replace("%z", "%#z")
    if "%.f" not in chrono:
        chrono = chrono.replace("%S", "%S%.f")  # "%.f" also fits where there is no fraction
    literal = pattern.rstrip().endswith(("Z", "UTC", "GMT"))
    return TimeForm(pattern=chrono, has_offset="%#z" in chrono or literal, comma=comma)


def plain_pattern(form: TimeForm) -> str:
    """Return a form as `take_in.time_format` takes it."""
    if form.epoch:
        return f"epoch {form.epoch}"
    fraction = ",%f" if form.comma else ""
    return form.pattern.replace("%.f", fraction).replace("%#z", "%z")


# Forms that are never taken without being named: two-digit years, names of months and weekdays,
# the time of day before the date. Offered in messages where they would fit.
NAMED_FORMS = (
    *(f"{date} {clock}" for date in _SHORT_DATES for clock in ("%H:%M:%S", "%H:%M", "%I:%M:%S %p")),
    "%H:%M:%S %d.%m.%Y",
    "%H:%M:%S %d/%m/%Y",
    "%Y-%m-%d-%H.%M.%S",
    "%Y-%m-%d_%H-%M-%S",
    "%Y-%m-%d %H-%M-%S",
    "%Y-%m-%d %H.%M.%S",
    "%d.%m.%Y %H.%M.%S",
    "%Y%m%d%H%M%S",
    "%Y-%j %H:%M:%S",
    "%a %b %d %H:%M:%S %Y",
    "%b %d, %Y %I:%M:%S %p",
    "%d %B %Y %H:%M:%S",
)


def likely_patterns(cells: Iterable[str]) -> list[str]:
    """Return patterns of less usual forms that fit every one of the cells."""
    listed = list(cells)
    return [pattern for pattern in NAMED_FORMS if listed and all(_fits(c, pattern) for c in listed)]


def _fits(cell: str, pattern: str) -> bool:
    try:
        datetime.strptime(cell, pattern)
    except ValueError:
        return False
    return True


def swapped(form: TimeForm) -> TimeForm:
    """Return the form with day and month in each other's place."""
    pattern = form.pattern.replace("%d", "%_").replace("%m", "%d").replace("%_", "%m")
    return replace(form, pattern=pattern)


def _date_pattern(match: re.Match[str]) -> str:
    if match["ymd"]:
        return "%Y{0}%m{0}%d".format(match["s1"])
    if match["num"]:
        return "%d{0}%m{0}%Y".format(match["s2"])
    if match["mon"]:
        return "%d{0}%b{0}{1}".format(match["s3"], "%y" if match["short"] else "%Y")
    return "%Y%m%d"


def _clock_pattern(match: re.Match[str]) -> str:
    colon, half = match["colon"], match["half"]
    clock = ("%I" if half else "%H") + colon + "%M"
    if match["second"]:
        # The fraction may be left out on whole seconds, so every form with seconds allows it.
        clock += f"{colon}%S%.f"
    return clock + ((" %p" if half.startswith(" ") else "%p") if half else "")


def _epoch_form(text: str) -> TimeForm | None:
    match = _EPOCH.fullmatch(text)
    if match is None:
        return None
    number = float(text)
    for unit, per_second in _EPOCH_UNITS.items():
        if EPOCH_FIRST_S * per_second <= number <= EPOCH_LAST_S * per_second:
            return TimeForm(epoch=unit, has_offset=True)
    return None
