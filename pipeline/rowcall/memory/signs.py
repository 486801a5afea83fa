"""Pieces of evidence for causes that no single verdict holds: how a case came, and what is beside.

Each function answers for one `SignOf`: it holds, it does not, or None where that is not known.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

import polars as pl

from rowcall.memory.explaining import ENOUGH
from rowcall.memory.measures import SILENT_SHARE
from rowcall.memory.places import Place, quantity
from rowcall.model import Case, Check, Fact, Finding, SignOf, Subject, Work

# All chosen.
_FADED = 0.9  # [-] of the neighbours' drop: beyond what one row differs by from day to day
_SAME = 0.06  # [-] within which a row's drop is the same on all days
_FADE_DAYS = 60
_MIN_DAYS = 3
_ALWAYS_DAYS = 7
_FULL_SHARE = 0.95  # of answered pulses
_SHORT_OF_PLATEAU = 0.08  # [-] of the plateau; as a supply that counts as short
_ALL_DAY_H = 20.0
_NEAR_H = 1.5  # clock hours apart at which a shortage begins "at the same hours"
_COLD_MIN = 3.0  # minutes of gas below the dew point that wet a cake
_COLD_DAYS = 2  # days before a rise on which a cold start may be behind it
_NOT_ACCOUNTED = 0.5  # share of a rise


@dataclass(frozen=True, slots=True)
class Material:
    """What the causes of a case are weighed by.

    Attributes:
        others: open cases of its baghouse, itself left out.
        facts: of its baghouse, all known days, columns `HISTORY_COLUMNS`.
        accounted: share of a rise of residual DP that rows not cleaned account for, nan if unknown.
    """

    case: Case
    place: Place
    others: Sequence[Case]
    facts: pl.DataFrame
    accounted: float = math.nan

    def finding(self, rule: str) -> Finding | None:
        """Return what a rule found when the case was last found."""
        return next((one for one in self.case.findings if one.rule == rule), None)

    def number(self, rule: str, name: str) -> float | None:
        """Return a number of that."""
        finding = self.finding(rule)
        return None if finding is None else quantity(finding, name)


def _drops(material: Material, first: date, last: date) -> Iterator[float]:
    """Return the row's drop ratio on each day of a span on which it was known, oldest first."""
    for _, answers in material.place.between(first, last):
        weak = answers.get("row_weak")
        value = None if weak is None else quantity(weak, "drop_ratio")
        if value is not None and math.isfinite(value):
            yield value


def _faded(material: Material) -> bool | None:
    """Whether its drop was smaller than its neighbours' before it was silent, or falls still."""
    case = material.case
    is_silent = material.finding("row_silent") is not None
    last = _first_day(material, "row_silent") - timedelta(days=1) if is_silent else case.last_found
    drops = list(_drops(material, case.opened - timedelta(days=_FADE_DAYS), last))
    if len(drops) < _MIN_DAYS:
        return None
    return min(drops) < _FADED if is_silent else drops[0] - drops[-1] > 1 - _FADED


def _first_day(material: Material, rule: str) -> date:
    """Return the first day of the case on which a rule found it."""
    return min(
        (
            day
            for day, answers in material.place.between(material.case.opened, material.place.last)
            if rule in answers and answers[rule].answer.urgency
        ),
        default=material.case.opened,
    )


def _sudden(material: Material) -> bool | None:
    faded = _faded(material)
    return None if faded is None or material.finding("row_silent") is None else not faded


def _misses_some(material: Material) -> bool | None:
    share = material.number("row_silent", "answered_share")
    return None if share is None else SILENT_SHARE < share < _FULL_SHARE


def _always_so(material: Material) -> bool | None:
    least, most, n = math.inf, -math.inf, 0
    for drop in _drops(material, material.place.first, material.case.last_found):
        least, most, n = min(least, drop), max(most, drop), n + 1
        if n >= _ALWAYS_DAYS and not (most < _FADED and most - least <= _SAME):
            return False  # of years, the rest need not be read
    return True if n >= _ALWAYS_DAYS else None


def _renewed(material: Material, work: Work) -> bool | None:
    return any(
        repair.entry.work is work and repair.check is Check.CONTRADICTED
        for repair in material.case.repairs
    )


def _shares_header(one: Subject, other: Subject) -> bool:
    return 0 in (one.compartment, other.compartment) or one.compartment == other.compartment


def _other_rows_since(material: Material) -> bool | None:
    case = material.case
    return any(
        other.family == case.family
        and other.subject.row
        and _shares_header(other.subject, case.subject)
        and abs((other.opened - case.opened).days) <= 1
        for other in material.others
    )


def _late_row(material: Material) -> bool | None:
    return any(
        other.subject.row
        and _shares_header(other.subject, material.case.subject)
        and any(finding.rule == "row_closes_late" for finding in other.findings)
        for other in material.others
    )


def _short_of_plateau(material: Material) -> bool | None:
    answer = material.place.on(material.case.last_found).get("short_interval")
    share = None if answer is None else quantity(answer, "shortfall_share")
    return None if share is None else share >= _SHORT_OF_PLATEAU


def _no_air(material: Material) -> bool | None:
    return material.number("pulse_pressure", "n_without_air") is not None


def _same_clock_hours(material: Material) -> bool | None:
    """Whether it began near the same clock hour on most of the days on which it was found."""
    begins = [
        start
        for _, answers in material.place.between(material.case.opened, material.place.last)
        if (start := _start(answers)) is not None
    ]
    if len(begins) < _MIN_DAYS:
        return None
    hours = [start.hour + start.minute / 60 for start in begins]
    near = [hour for hour in hours if _apart_h(hour, hours[-1]) <= _NEAR_H]
    return len(near) > len(hours) / 2


def _start(answers: Mapping[str, Finding]) -> datetime | None:
    found = (one.answer for one in answers.values() if one.answer.urgency is not None)
    return min((one.start.astimezone(UTC) for one in found if one.start), default=None)


def _apart_h(one: float, other: float) -> float:
    return min(abs(one - other), 24 - abs(one - other))


def _all_day(material: Material) -> bool | None:
    hours = material.number("supply_short", "hours")
    return None if hours is None else hours >= _ALL_DAY_H


def _stepped(material: Material) -> bool | None:
    return any(quantity(one, "step_rise") is not None for one in material.case.findings)


def _cold_start(material: Material) -> bool | None:
    """Whether gas passed below its water dew point on the day the rise began, or shortly before."""
    starts = [one.answer.start for one in material.case.findings if one.answer.start]
    if not starts or not _stepped(material):
        return None
    # A day of grace: the start is an instant in UTC, the days are the plant's.
    last = min(starts).date() + timedelta(days=1)
    cold = material.facts.filter(
        (pl.col("name") == Fact.COLD_GAS_MIN.column)
        & pl.col("day").is_between(last - timedelta(days=_COLD_DAYS + 1), last)
    )["value"]
    return None if cold.is_empty() else bool((cold >= _COLD_MIN).any())


def _rows_not_cleaned(material: Material) -> bool | None:
    if math.isnan(material.accounted):
        return None
    if _NOT_ACCOUNTED <= material.accounted < ENOUGH:
        return None
    return material.accounted >= ENOUGH


def _weak_cleaning(material: Material) -> bool | None:
    return any(other.family in ("header", "plant-air") for other in material.others)


SIGNS: Mapping[SignOf, Callable[[Material], bool | None]] = {
    SignOf.FADED: _faded,
    SignOf.SUDDEN: _sudden,
    SignOf.MISSES_SOME: _misses_some,
    SignOf.ALWAYS_SO: _always_so,
    SignOf.COIL_RENEWED: lambda material: _renewed(material, Work.SOLENOID_RENEWED),
    SignOf.DIAPHRAGM_RENEWED: lambda material: _renewed(material, Work.DIAPHRAGMS_RENEWED),
    SignOf.OTHER_ROWS_SINCE: _other_rows_since,
    SignOf.LATE_ROW: _late_row,
    SignOf.SHORT_OF_PLATEAU: _short_of_plateau,
    SignOf.NO_AIR: _no_air,
    SignOf.SAME_CLOCK_HOURS: _same_clock_hours,
    SignOf.ALL_DAY: _all_day,
    SignOf.STEPPED: _stepped,
    SignOf.COLD_START: _cold_start,
    SignOf.ROWS_NOT_CLEANED: _rows_not_cleaned,
    SignOf.WEAK_CLEANING: _weak_cleaning,
}
