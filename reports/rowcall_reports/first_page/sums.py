"""How much a baghouse pulses and how much air that takes, against the time before."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from rowcall.events.noise import TO_DEVIATION
from rowcall.model import BaghouseDay, Case, Fact, State
from rowcall_reports import fact_lookup, wording
from rowcall_reports.prepared import PreparedDay

SUMS = {Fact.N_PULSES: "pulses", Fact.FREE_AIR_DAY_M3: "air"}
_DAYS_BEFORE = 30
_GOOD_DAYS = 7  # chosen: one week, so that weekdays and weekends are all in
_MIN_DAYS = 4  # chosen: fewer show no scatter
_SCATTERS = 3.0  # chosen: a change by so many of their scatters is more than chance
_MIN_CHANGE = 0.05  # chosen: less is nobody's concern
_ALL_DAYS = 366  # all that a history holds


@dataclass(frozen=True, slots=True)
class Reference:
    """The level of a sum on earlier days.

    Attributes:
        median: of the days, nan where they are too few.
        scatter: from day to day, as a standard deviation.
    """

    median: float
    scatter: float

    def is_left(self, today: float) -> bool:
        """Return whether a day differs by more than the scatter, and by what matters."""
        limit = max(_SCATTERS * self.scatter, _MIN_CHANGE * abs(self.median))
        return abs(today - self.median) > limit  # False for nan


@dataclass(frozen=True, slots=True)
class Sum:
    """One sum of a day against the 30 days before, and the week before the first open case."""

    today: float
    before: Reference
    good: Reference


def first_opened(cases: tuple[Case, ...]) -> date | None:
    """Return when the first of the open cases opened."""
    return min((case.opened for case in cases if case.state is State.OPEN), default=None)


def sum_of(day: BaghouseDay, fact: Fact, opened: date | None) -> Sum:
    """Return a sum over the headers of a baghouse, of the day and of the times before."""
    course = by_day(day, fact, _ALL_DAYS)
    today = course.pop(day.day, math.nan)
    month = day.day - timedelta(days=_DAYS_BEFORE)
    good = [value for when, value in course.items() if opened and when < opened]
    return Sum(
        today,
        _reference([value for when, value in course.items() if when >= month]),
        _reference(good[-_GOOD_DAYS:]),
    )


def by_day(day: BaghouseDay, fact: Fact, days: int) -> dict[date, float]:
    """Return the sum of each day, oldest first: that of the whole baghouse, else of all its parts.

    A day of which a compartment is missing has no sum.
    """
    whole: dict[date, float] = {}
    parts: dict[date, list[float]] = {}
    for when, compartment, row, value in fact_lookup.track(day, fact, days).iter_rows():
        if row == 0 and compartment:
            parts.setdefault(when, []).append(value)
        elif row == 0:
            whole[when] = value
    n = max(map(len, parts.values()), default=0)
    sums = {when: math.fsum(values) for when, values in parts.items() if len(values) == n}
    return dict(sorted({**sums, **whole}.items()))


def _reference(values: Sequence[float]) -> Reference:
    if len(values) < _MIN_DAYS:
        return Reference(math.nan, math.nan)
    median = float(np.median(values))
    return Reference(median, TO_DEVIATION * float(np.median(np.abs(np.subtract(values, median)))))


def write_sums(baghouse: PreparedDay) -> str:
    """Return the line of a baghouse: its rows at fault, and pulses and air where they moved."""
    day, rows = baghouse.day, len(baghouse.marks)
    if day.failed:
        return f"**{baghouse.name}:** could not be judged."
    if not baghouse.has_data:
        return f"**{baghouse.name}:** no data for this day."
    n_found, unknown = len(baghouse.found_rows), baghouse.unknown_rows
    parts = [f"{n_found or 'none'} of {wording.count(rows, 'row')} at fault"]
    parts[0] += f", {unknown} not judged" if unknown else ""
    parts += [moved] if (moved := _moved(baghouse)) else []
    return f"**{baghouse.name}:** {'; '.join(parts)}."


def _moved(baghouse: PreparedDay) -> str:
    """Return which sums left the last good time, else which left the 30 days before."""
    day, opened = baghouse.day, first_opened(baghouse.cases)
    sums = {name: sum_of(day, fact, opened) for fact, name in SUMS.items()}
    good = _changes({name: (one.today, one.good) for name, one in sums.items()})
    if good and opened:
        return f"{good} since {wording.day_in_sentence(opened, day.day)}"
    before = _changes({name: (one.today, one.before) for name, one in sums.items()})
    return f"{before} against the 30 days before" if before else ""


def _changes(sums: Mapping[str, tuple[float, Reference]]) -> str:
    return ", ".join(
        f"{name} {wording.change(today, reference.median)}"
        for name, (today, reference) in sums.items()
        if reference.is_left(today)
    )


def write_usage(baghouse: PreparedDay) -> str:
    """Return the table of both sums against both times, '' where no day before is known."""
    opened, units = first_opened(baghouse.cases), baghouse.day.units
    lines = []
    for fact, words, scale in (
        (Fact.N_PULSES, "Pulses", wording.fixed("", 0)(units)),
        (Fact.FREE_AIR_DAY_M3, "Free air", units.air),
    ):
        one = sum_of(baghouse.day, fact, opened)
        if math.isnan(one.today) or math.isnan(one.before.median):
            continue
        cells = [words, wording.quantity(one.today, scale)]
        for reference in (one.before, one.good):
            cells += [
                wording.quantity(reference.median, scale),
                wording.change(one.today, reference.median),
            ]
        lines.append(cells)
    if not lines:
        return ""
    head = ["Sum of the day", "Today", "Median of 30 days", "Change", "Last good time", "Change"]
    return wording.table(head, lines, right=range(1, 6))
