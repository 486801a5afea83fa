"""A daily series that rises: at once on one day, or steadily; as rules on ageing judge it.

Limits that the rules share: `rise`, `rise_early`, `step_days`; and `step`, of a rise at once, where
it is another one than `rise`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np

from rowcall.diagnosis.dp_series import DpSeries
from rowcall.diagnosis.steps import find_steps
from rowcall.diagnosis.trend import Trend
from rowcall.model import Context, Fact, Floats, Limits

_AROUND_D = 7  # chosen: days beside a step that make its size; a week holds its weekend
_SCATTER_D = 28  # chosen: days before a step that show how far days lie apart
_STANDS_OUT = 2.5  # [standard deviations] chosen: a step is larger than what days differ by
_LEVEL_D = 3  # chosen: days whose median is the level of today
_BEYOND = 4.0  # [standard deviations] chosen: asked of each compartment every day of the year
_TENTHS = 2.56  # standard deviations between the lowest and the highest tenth, normal scatter
_LONG_D = 21  # chosen, by trial: in less, products make a level wander that is no rise
_PACE_D = 30  # chosen: a rise that makes the limit `rise` in a month matters early


@dataclass(frozen=True, slots=True)
class Step:
    """A step up; before and after in the unit of the series."""

    day: date
    rise_frac: float
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Rise:
    """What a series shows: level of today, trend (since a step), whether it rises, a step.

    is_steady: whether its rate of today is sure too, not only that it has risen.
    """

    level: float
    trend: Trend | None
    is_rising: bool
    is_steady: bool
    step: Step | None

    @property
    def words(self) -> str:
        """How it rises, for a text."""
        return "rises steadily" if self.is_steady else "has risen, more slowly of late"

    @property
    def frac(self) -> float:
        """The whole relative rise: of the step, and of the trend since or without one."""
        step = 0.0 if self.step is None else self.step.rise_frac
        trend = self.trend if self.is_rising else None
        slow = 0.0 if trend is None else trend.rise / (trend.end - trend.rise)
        return (1 + step) * (1 + slow) - 1


def find_rise(
    series: DpSeries, trend: Trend | None, limits: Limits, doubt: float, today: date
) -> Rise:
    """Judge a series by its days; doubt: probability of no rise below which its trend is one."""
    corrected = series.corrected(trend)
    step = recent_step(series, corrected, limits)
    if step is not None:  # a line through a step would take the step for a slope
        trend = series.since((step.day - today).days).trend()
    level = float(np.median(corrected[-_LEVEL_D:]))
    if trend is None:
        return Rise(level, None, is_rising=False, is_steady=False, step=step)
    is_steady = trend.p_rate_at_most(0.0) < doubt
    is_rising = _matters(trend, limits) and (is_steady or _has_risen(trend, doubt))
    return Rise(level, trend, is_rising, is_steady, step)


def _matters(trend: Trend, limits: Limits) -> bool:
    """Whether it rose by so much that it matters: so far, or in a month."""
    start = trend.end - trend.rise
    is_fast = trend.rise >= limits["rise_early"] * start
    is_fast &= trend.rate * _PACE_D >= limits["rise"] * start
    return trend.rise >= limits["rise"] * start or is_fast


def _has_risen(trend: Trend, doubt: float) -> bool:
    """Whether it rose for sure over some weeks, though its rate may have changed since."""
    if trend.n < _LONG_D:
        return False
    return trend.rate > 0 and trend.p_no_rise < doubt / 2  # asked beside the rate


def recent_step(series: DpSeries, corrected: Floats, limits: Limits) -> Step | None:
    """Return the newest upward step of a size that matters, if it is recent and still stands."""
    edges = [0, *find_steps(corrected), corrected.size]
    now = float(np.median(corrected[edges[-2] :][-_AROUND_D:]))
    for index, right in reversed(list(pairwise(edges[1:]))):
        if index < _AROUND_D:
            break
        part = slice(index, min(right, index + _AROUND_D))
        same_weekdays = np.isin(series.number, series.number[part] - 7)
        before, after = (
            float(np.median(one)) for one in (corrected[index - _AROUND_D : index], corrected[part])
        )
        if same_weekdays.any():
            before = max(before, float(np.median(corrected[same_weekdays])))
        low, high = np.quantile(corrected[max(0, index - _SCATTER_D) : index], (0.1, 0.9))
        needed = max(
            limits.get("step", limits["rise"]) * before, _STANDS_OUT * float(high - low) / _TENTHS
        )
        recent = -series.number[index] <= limits["step_days"]
        if recent and min(after, now) >= before + needed:
            return Step(series.days[index], after / before - 1, before, after)
    return None


@dataclass(frozen=True, slots=True)
class AgainstUsual:
    """A number of a place today, its usual one, and the standard deviation from day to day."""

    now: float
    usual: float
    scatter: float

    def is_beyond(self, limit: float) -> bool:
        """Return whether it is farther from usual than a limit and than what days differ by."""
        return abs(self.now - self.usual) >= max(limit, _BEYOND * self.scatter)


def against_usual(
    context: Context, fact: Fact, compartment: int, *, up: bool, days: float
) -> AgainstUsual | None:
    """Return today's number beside that of earlier days, None with too few of either.

    up: of a rise the quarter of the lowest days is usual, of a fall that of the highest, so that
    weeks of a fault do not become the usual.
    """
    now = context.facts.of(fact, compartment)
    low, usual, high = (
        context.history.usual(fact, compartment, 0, quantile=q, min_days=days)
        for q in (0.1, 0.25 if up else 0.75, 0.9)
    )
    if not (np.isfinite(now) and np.isfinite(usual)):
        return None
    return AgainstUsual(now, usual, (high - low) / _TENTHS)
