"""The number by which a case worsens or improves, and whether it did for sure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from enum import Enum, auto
from itertools import pairwise
from statistics import fmean, median

from rowcall.events.noise import TO_DEVIATION
from rowcall.memory.places import Answers, quantity
from rowcall.model import Finding, Measure
from rowcall.model.cause import Member
from rowcall.units import Units, percent, show

SILENT_SHARE = 0.05  # of a day's pulses answered; chosen: fewer is silence, not missing some
_BACK = 2.0 / 3.0  # of the way back; chosen: of a rise by 10 % a day's noise of 3 % makes a third
_APART = 0.02  # [-] by which the levels of a fault and before it differ; chosen: least of a leak
_ERRORS = 4.0  # standard errors of a difference; chosen: 3 make 1 standing case in 10 turn a month
_UNKNOWN_SCATTER = 0.05  # [-] of the value while fewer days than these are known; chosen
_MIN_DAYS = 4
_DAYS = 14  # chosen: the scatter of the last fortnight
_LONG_S = 600.0  # chosen: so long a time is written in minutes
_NORMAL_95 = 1.96  # standard errors to either side of a 95 % interval


def value_of(measure: Measure | None, finding: Finding) -> float | None:
    """Return the number of a finding, None where it has none."""
    return _finite(finding, measure.value) if measure else None


def level_of(measure: Measure | None, finding: Finding) -> float | None:
    """Return the level that a repair is held against, None where there is none."""
    return _finite(finding, measure.level) if measure and measure.level else None


def usual_of(measure: Measure | None, finding: Finding) -> float | None:
    """Return what was usual of it, None where the rule did not know."""
    usual = _finite(finding, f"usual_{measure.level}") if measure and measure.level else None
    return usual if usual is not None and usual > 0 else None


def _finite(finding: Finding, name: str) -> float | None:
    value = quantity(finding, name)
    return value if value is not None and math.isfinite(value) else None


def error_of(measure: Measure | None, finding: Finding) -> float:
    """Return the standard error of the number of a finding, 0 where it states none.

    It is named by the measure, or given by the ends of a 95 % interval, `<value>_low`, `_high`.
    """
    if measure is None:
        return 0.0
    named = quantity(finding, measure.error) if measure.error else None
    low, high = (quantity(finding, f"{measure.value}_{end}") for end in ("low", "high"))
    if named is None and low is not None and high is not None:
        named = (high - low) / (2 * _NORMAL_95)
    return named if named is not None and math.isfinite(named) else 0.0


class Course(Enum):
    """Where the level of what ailed stands after a repair."""

    BACK = auto()
    STAYED = auto()
    BETWEEN = auto()


def course_of(level: float, usual: float, faulty: float) -> Course | None:
    """Return whether a level is back at its usual, by where it lies between that and the fault's.

    A level beyond either end counts as at that end; None where the ends hardly differ.
    """
    if abs(usual - faulty) < _APART * usual:
        return None
    share = (level - faulty) / (usual - faulty)
    if share >= _BACK:
        return Course.BACK
    return Course.STAYED if share <= 1 - _BACK else Course.BETWEEN


def words_of(members: Iterable[Member], answers: Answers, units: Units) -> str:
    """Return the numbers of a day in words: `answers 0 % of its pulses`."""
    parts = []
    for member in members:
        finding, measure = answers.get(member.rule), member.measure
        value = value_of(measure, finding) if finding else None
        if measure is not None and value is not None:
            parts.append(measure.words.format(_written(value, measure, units)))
    return ", ".join(parts)


def _written(value: float, measure: Measure, units: Units) -> str:
    scales = {"dp": units.dp, "gauge": units.gauge, "temperature": units.temperature}
    if measure.unit in scales:
        return scales[measure.unit].show(value)
    if measure.unit == "1":
        return percent(max(value, 0.0))
    if measure.unit == "s" and value >= _LONG_S:
        return f"{value / 60.0:.0f} min"
    # Hours are counted in hours inside too.
    return f"{value:.0f} h" if measure.unit == "h" else show(value, measure.unit, 1)


def turn(
    measure: Measure, reference: float, now: float, error: float, past: Sequence[float]
) -> int:
    """Return 1 where a number is worse than a reference for sure and by what matters, -1 if better.

    Args:
        reference, now: the number when something was last said of it, and today.
        error: the larger standard error of the two; 0 where they state none.
        past: the numbers of the days before, oldest first; their scatter counts as error too.
    """
    spread = max(error, _scatter(past))
    step = measure.step * (abs(reference) if measure.is_relative else 1.0)
    change = (now - reference) * measure.worse
    needed = max(step, _ERRORS * math.sqrt(2) * spread)
    return int(change >= needed) - int(change <= -needed)


def _scatter(past: Sequence[float]) -> float:
    """Return the standard deviation from day to day, whatever the trend."""
    recent = past[-_DAYS:]
    if len(recent) < _MIN_DAYS:
        return _UNKNOWN_SCATTER * fmean(map(abs, recent)) if recent else 0.0
    steps = [now - before for before, now in pairwise(recent)]
    middle = median(steps)
    return TO_DEVIATION * median(abs(step - middle) for step in steps) / math.sqrt(2)
