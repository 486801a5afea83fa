"""Residual DP rises: the bags no longer come clean as they did.

Why: the DP left just after a cleaning shows the bag's own state. It rises slowly as fine dust works
into the fabric (blinding), or at once after a dew-point event, a cold start or an upset. DP grows
with flow, so it is corrected to one flow wherever flow is known. Rule out: rows that are no longer
cleaned (mend those first and watch a day before blaming bags), higher flow, a full hopper, a
plugged tap. Under cleaning on demand the controller holds DP at its stop set point, so residual
drag moves less than cycle time and pulses a day do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from rowcall.diagnosis.steps import find_steps
from rowcall.diagnosis.trend import Trend, theil_sen
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Floats,
    Limits,
    Need,
    Quantity,
    Rule,
    Urgency,
    Verdict,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import percent, show

_WINDOWS_D = (7, 30, 90)  # chosen: a week, a month, a season
_MIN_FILLED = 0.6  # chosen: a window is judged when this share of its days has a value
_AROUND_D = 7  # chosen: days before and after a step that make its size
_LEVEL_D = 3  # chosen: days whose median is the level of today
_FAR_D = 3650  # chosen: beyond ten years a date says nothing


@dataclass(frozen=True, slots=True)
class _Series:
    """Residual DP by day, corrected to one flow where there is one; day numbers count to today."""

    days: list[date]
    number: Floats
    value_pa: Floats
    reference_m3_s: float | None

    @property
    def level_pa(self) -> float:
        """Level of today."""
        return float(np.median(self.value_pa[-_LEVEL_D:]))

    @property
    def basis(self) -> str:
        """What the values are corrected to, in words."""
        if self.reference_m3_s is None:
            return "not corrected for flow: no flow tag"
        return f"corrected to {show(self.reference_m3_s, 'm3/h', 0)}"


@dataclass(frozen=True, slots=True)
class _Step:
    day: date
    rise_frac: float
    before_pa: float
    after_pa: float


@dataclass(frozen=True, slots=True)
class _Finding:
    """What a series shows: trends by window, those of them that rise, and a recent step."""

    trends: Mapping[int, Trend]
    rising: Mapping[int, Trend]
    step: _Step | None

    @property
    def newest(self) -> Trend | None:
        """The shortest trend that leads to the limit, however small the rise so far."""
        upward = {w: t for w, t in self.trends.items() if t.low > 0 and math.isfinite(t.high)}
        return upward[min(self.rising or upward)] if upward else None


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by residual DP over flow, else by residual DP, of 90 days."""
    series = _series(context)
    if series is None:
        why = "no cleaning cycle of this day lay wholly in running operation"
        yield Answer.cannot_tell(context.subject(), why)
        return
    step = _step(series, context.limits)
    # A line through a step would take the step for a slope: the trend is that since the step.
    since = series.number[0] if step is None else float((step.day - context.day.day).days)
    trends = {w: trend for w in _WINDOWS_D if (trend := _trend(series, w, since)) is not None}
    rising = {w: t for w, t in trends.items() if _is_rising(t, min(w, 1 - since), context.limits)}
    yield _answer(context, series, _Finding(trends, rising, step))


def _series(context: Context) -> _Series | None:
    """Join history and today; a day that is missing in the preferred fact stays missing."""
    for fact in (Fact.RESIDUAL_DP_PER_FLOW, Fact.RESIDUAL_DP_PA):
        today = context.facts.of(fact)
        if math.isnan(today):
            continue
        past_days, past = context.history.of(fact)
        days, value = [*past_days, context.day.day], np.append(past, today)
        reference = _reference_flow(context) if fact is Fact.RESIDUAL_DP_PER_FLOW else None
        number = np.array([(d - context.day.day).days for d in days], np.float64)
        keep = number > -max(_WINDOWS_D)
        kept = [d for d, k in zip(days, keep, strict=True) if k]
        return _Series(kept, number[keep], value[keep] * (reference or 1.0), reference)
    return None


def _reference_flow(context: Context) -> float:
    """Return the flow that residual DP is corrected to [m3/s]."""
    _, flows = context.history.of(Fact.FLOW_M3_S)
    usual = float(np.median(np.append(flows, context.facts.of(Fact.FLOW_M3_S))))
    return context.day.baghouse.design_flow or usual


def _trend(series: _Series, window_d: int, since: float) -> Trend | None:
    inside = (series.number > -window_d) & (series.number >= since)
    if inside.sum() < _MIN_FILLED * window_d:
        return None
    return theil_sen(series.number[inside], series.value_pa[inside])


def _is_rising(trend: Trend, covered_d: float, limits: Limits) -> bool:
    start = trend.level - trend.slope * covered_d
    return (
        trend.low > 0
        and math.isfinite(trend.high)
        and trend.slope * covered_d >= limits["rise"] * start
    )


def _step(series: _Series, limits: Limits) -> _Step | None:
    """Return the newest upward step of a size that matters, if it is recent and still stands."""
    edges = [0, *find_steps(series.value_pa), series.value_pa.size]
    now = float(np.median(series.value_pa[edges[-2] :][-_AROUND_D:]))
    for left, index, right in reversed(list(zip(edges, edges[1:], edges[2:], strict=False))):
        before = float(np.median(series.value_pa[max(left, index - _AROUND_D) : index]))
        after = float(np.median(series.value_pa[index : min(right, index + _AROUND_D)]))
        recent = -series.number[index] <= limits["step_days"]
        if recent and min(after, now) >= (1 + limits["rise"]) * before:
            return _Step(series.days[index], after / before - 1, before, after)
    return None


def _answer(context: Context, series: _Series, seen: _Finding) -> Answer:
    values = list(_values(series, seen))
    slopes = "; ".join(_slope_words(window, trend) for window, trend in seen.trends.items())
    slopes = slopes or "too few days for a trend"
    lead = f"Residual DP {show(series.level_pa, 'kPa', 2)} ({series.basis})"
    if seen.step is None and not seen.rising:
        return Answer.clear(context.subject(), f"{lead}, not rising: {slopes}.", values)
    start = context.day.day - timedelta(days=min(seen.rising, default=0))
    if seen.step is not None:
        start = seen.step.day
        lead += f"; {_step_words(seen.step)}"
    if seen.rising:
        lead += "; rises steadily"
    limit_text, urgency = _projection(context, series.level_pa, seen.newest)
    return context.found(
        context.subject(),
        urgency,
        f"{lead}; {slopes}. {limit_text}{_mend_rows_first(context)}",
        _ACTION,
        values,
        start=context.day.start - timedelta(days=(context.day.day - start).days),
    )


def _values(series: _Series, seen: _Finding) -> Iterator[Quantity]:
    yield Quantity("residual_dp_corrected", series.level_pa, "Pa")
    for window, trend in seen.trends.items():
        name = f"slope_{window}d"
        ends = {name: trend.slope, f"{name}_low": trend.low, f"{name}_high": trend.high}
        for key, value in ends.items():
            if math.isfinite(value):
                yield Quantity(key, value, "Pa/d")
    if seen.step is not None:
        yield Quantity("step_rise", seen.step.rise_frac, "1")


def _step_words(step: _Step) -> str:
    return (
        f"stepped up by {percent(step.rise_frac)} on {step.day.isoformat()} "
        f"({show(step.before_pa, 'kPa', 2)} to {show(step.after_pa, 'kPa', 2)})"
    )


def _projection(context: Context, level: float, trend: Trend | None) -> tuple[str, Urgency]:
    """Say when the limit is reached, as an interval of dates, and how urgent that is."""
    limit_pa = context.day.baghouse.residual_dp_limit
    if limit_pa is None:
        return "The site file states no residual DP limit, so no date is projected.", Urgency.WATCH
    named = f"the limit of {show(limit_pa, 'kPa', 2)}"
    if level >= limit_pa:
        return f"{named[0].upper()}{named[1:]} is reached.", Urgency.NOW
    if trend is None:
        why = "is not reached; the trend is not steady enough to project a date."
        return f"{named[0].upper()}{named[1:]} {why}", Urgency.WATCH
    early, late = (max(limit_pa - trend.level, 0.0) / slope for slope in (trend.high, trend.low))
    first = (context.day.day + timedelta(days=int(early))).isoformat()
    last = "later, or never"
    if late < _FAR_D:
        last = (context.day.day + timedelta(days=int(late))).isoformat()
    urgency = Urgency.NEXT_OUTAGE if early <= context.limits["soon_days"] else Urgency.WATCH
    text = f"At this rate {named} is reached between {first} and {last} (95 % interval)."
    return text, urgency


def _mend_rows_first(context: Context) -> str:
    """Name the rows and compartments that were found silent on the same day."""
    silent = [
        f"compartment {answer.subject.compartment}"
        + (f" row {answer.subject.row}" if answer.subject.row else "")
        for answer in context.answers.get("row_silent", ())
        if answer.verdict is Verdict.FOUND and answer.urgency is not Urgency.WATCH
    ]
    if not silent:
        return ""
    return (
        f" Not cleaned today: {', '.join(silent)}; mend first and watch a day before blaming bags."
    )


def _slope_words(window_d: int, trend: Trend) -> str:
    slope = f"{window_d} days: {trend.slope:+.1f} Pa a day"
    if not (math.isfinite(trend.low) and math.isfinite(trend.high)):
        return f"{slope} (too few points for an interval)"
    return f"{slope} (95 % interval {trend.low:+.1f} to {trend.high:+.1f})"


_ACTION = work(
    outside="Check cleaning first (rows, header pressure, set points); look up dew-point and "
    "start-up history.",
    isolated="hopper level, DP taps, and a bag for a laboratory.",
)

RULE = Rule(
    name="rising_residual_dp",
    title="Residual DP rises",
    chapter=Chapter.DP,
    looks_for="A step or a steady rise of the DP left after cleaning, corrected to one flow.",
    needs=(
        Need(
            any_of=(Role.DP,),
            purpose="to see what is left after a cleaning",
            max_step_s=3600.0,  # chosen: coarser points hardly ever lie just after a cleaning
            only_first=True,
        ),
        Need(
            purpose="to see a trend of residual DP",
            past=(Fact.RESIDUAL_DP_PER_FLOW, Fact.RESIDUAL_DP_PA),
            days="history_days",
        ),
    ),
    thresholds=(
        limit(
            "rise",
            "10 %",
            "relative rise that matters",
            chosen="less lies within changes of dust and weather",
        ),
        limit(
            "history_days",
            "7",
            "days before a verdict",
            chosen="a week holds work days and a weekend",
        ),
        limit(
            "step_days",
            "30",
            "days for which a step is reported",
            chosen="a month leaves time for an outage",
        ),
        limit(
            "soon_days",
            "30",
            "days to the limit: next outage",
            chosen="a month leaves time to plan one",
        ),
    ),
    check_first=(
        "rows silent or weak, header pressure, set points",
        "dew-point, start-up and pre-coat history",
        "isolated: hopper level, DP taps, a bag to a laboratory",
    ),
    confused_with="silent rows, higher flow, a full hopper, a plugged DP tap",
    cautions=(
        Caution.LOCKOUT,
        Caution.STORED_AIR,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=(
        "residual pressure drop and cycle duration: ISO 11057",
        "trend: Theil-Sen, interval Sen 1968 with long-run variance",
        "steps: penalised least squares, PELT",
    ),
    judge=judge,
    after=("row_silent",),
    formerly="rising_baseline_dp",
)
