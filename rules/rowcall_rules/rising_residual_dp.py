"""Residual DP rises: the bags no longer come clean as they did.

Why: the DP left just after a cleaning shows the bag's own state. It rises slowly as fine dust works
into the fabric (blinding), or at once after a dew-point event, a cold start or an upset. DP grows
with flow, so it is led back to one flow wherever flow is known. Looks like, but is not: rows that
are no longer cleaned (mend those first and watch a day before blaming bags), higher flow, a full
hopper, a plugged tap. Under cleaning on demand the controller pulls DP to its stop set point, so
residual drag moves less than cycle time and pulses a day do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from rowcall.diagnosis.steps import find_steps
from rowcall.diagnosis.trend import Trend, theil_sen
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Fact,
    Floats,
    Limits,
    Need,
    Quantity,
    Rule,
    Subject,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.site import Role
from rowcall.units import Dimension, show

_WINDOWS_D = (7, 30, 90)
_FULL_ENOUGH = 0.6  # chosen: a window is judged when this share of its days has a value
_AROUND_D = 7  # days before and after a step that make its size


@dataclass(frozen=True, slots=True)
class _Series:
    """Residual DP by day, led back to one flow where there is one; day numbers count to today."""

    days: list[date]
    number: Floats
    value_pa: Floats
    reference_m3_s: float | None


@dataclass(frozen=True, slots=True)
class _Step:
    day: date
    rise_frac: float
    before_pa: float
    after_pa: float


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse; reads residual_dp_per_flow, else residual_dp_pa, of 90 days."""
    day, limits = context.day, context.limits
    subject = Subject(day.baghouse.id)
    series = _series(context)
    if series is None:
        yield Answer.cannot_tell(
            subject, "no cleaning cycle of this day lay wholly in running operation"
        )
        return
    if series.value_pa.size < limits["history_days"]:
        yield Answer.cannot_tell(
            subject,
            f"only {series.value_pa.size} days with a residual DP so far, "
            f"{limits['history_days']:.0f} are needed",
        )
        return
    step = _step(series, limits)
    # A line through a step would take the step for a slope: the trend is that since the step.
    since = series.number[0] if step is None else float((step.day - day.day).days)
    trends = {w: trend for w in _WINDOWS_D if (trend := _trend(series, w, since)) is not None}
    rising = {w: t for w, t in trends.items() if _is_rising(t, min(w, 1 - since), limits)}
    yield _answer(context, subject, series, trends, rising, step, limits)


def _series(context: Context) -> _Series | None:
    """Join history and today; a day that is missing in the preferred fact stays missing."""
    day, facts = context.day, context.facts
    for fact in (Fact.RESIDUAL_DP_PER_FLOW, Fact.RESIDUAL_DP_PA):
        today = facts.of(fact)
        if math.isnan(today):
            continue
        days, past = day.history.of(fact)
        days, value = [*days, day.day], np.append(past, today)
        number = np.array([(d - day.day).days for d in days], np.float64)
        keep = number > -max(_WINDOWS_D)
        reference = None
        if fact is Fact.RESIDUAL_DP_PER_FLOW:
            _, flows = day.history.of(Fact.FLOW_M3_S)
            reference = day.baghouse.design_flow or float(
                np.median(np.append(flows, facts.of(Fact.FLOW_M3_S)))
            )
            value = value * reference
        kept = [d for d, k in zip(days, keep, strict=True) if k]
        return _Series(kept, number[keep], value[keep], reference)
    return None


def _trend(series: _Series, window_d: int, since: float) -> Trend | None:
    inside = (series.number > -window_d) & (series.number >= since)
    if inside.sum() < _FULL_ENOUGH * window_d:
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


def _answer(
    context: Context,
    subject: Subject,
    series: _Series,
    trends: dict[int, Trend],
    rising: dict[int, Trend],
    step: _Step | None,
    limits: Limits,
) -> Answer:
    day = context.day
    level = float(np.median(series.value_pa[-3:]))
    basis = _basis(series)
    values = [Quantity("residual_dp_corrected", level, "Pa")]
    for window, trend in trends.items():
        name = f"slope_{window}d_per_day"
        ends = {name: trend.slope, f"{name}_low": trend.low, f"{name}_high": trend.high}
        values += [Quantity(n, v, "Pa/d") for n, v in ends.items() if math.isfinite(v)]
    slopes = "; ".join(_slope_words(window, trend) for window, trend in trends.items())
    slopes = slopes or "too few days for a trend"
    if step is None and not rising:
        text = f"Residual DP {show(level, 'kPa', 2)} ({basis}), not rising: {slopes}."
        return Answer.clear(subject, text, values)
    parts = [f"Residual DP {show(level, 'kPa', 2)} ({basis})"]
    start = day.day - timedelta(days=min(rising, default=0))
    if step is not None:
        values.append(Quantity("step_rise", step.rise_frac, "1"))
        start = step.day
        parts.append(
            f"stepped up by {step.rise_frac:.0%} on {step.day.isoformat()} "
            f"({show(step.before_pa, 'kPa', 2)} to {show(step.after_pa, 'kPa', 2)})"
        )
    if rising:
        parts.append("rises steadily")
    # A slope whose whole interval is positive leads to the limit, however small the rise so far.
    upward = {
        w: trend for w, trend in trends.items() if trend.low > 0 and math.isfinite(trend.high)
    }
    newest = upward[min(rising or upward)] if upward else None
    limit_text, urgency = _projection(day, level, newest, limits)
    text = "; ".join([*parts, slopes]) + f". {limit_text}{_mend_rows_first(context)}"
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=urgency,
        start=day.start - timedelta(days=(day.day - start).days),
        end=day.end,
        values=tuple(values),
        text=text,
        action="Check cleaning first (rows, header pressure, set points), then hopper level and DP "
        "taps; look up dew-point and start-up history; at the next outage send a bag to a "
        "laboratory.",
    )


def _projection(
    day: BaghouseDay, level: float, trend: Trend | None, limits: Limits
) -> tuple[str, Urgency]:
    """Say when the limit is met, as an interval of dates, and how urgent that is."""
    limit = day.baghouse.residual_dp_limit
    if limit is None:
        return "The site file states no residual DP limit, so no date is projected.", Urgency.WATCH
    if level >= limit:
        return f"The limit of {show(limit, 'kPa', 2)} is reached.", Urgency.NOW
    if trend is None:
        return (
            f"The limit of {show(limit, 'kPa', 2)} is not reached; the trend is not steady enough "
            "to project a date.",
            Urgency.WATCH,
        )
    early, late = (max(limit - trend.level, 0.0) / slope for slope in (trend.high, trend.low))
    soonest = day.day + timedelta(days=int(early))
    latest = (day.day + timedelta(days=int(late))).isoformat() if late < 3650 else "later, or never"
    urgency = Urgency.NEXT_OUTAGE if early <= limits["soon_days"] else Urgency.WATCH
    text = (
        f"At this rate the limit of {show(limit, 'kPa', 2)} is met between "
        f"{soonest.isoformat()} and {latest} (95 % interval)."
    )
    return text, urgency


def _mend_rows_first(context: Context) -> str:
    silent = [
        f"compartment {answer.subject.compartment} row {answer.subject.row}"
        for answer in context.answers.get("row_silent", ())
        if answer.verdict is Verdict.FOUND and answer.urgency is not Urgency.WATCH
    ]
    if not silent:
        return ""
    return (
        f" Not cleaned today: {', '.join(silent)}; mend first and watch a day before blaming bags."
    )


def _basis(series: _Series) -> str:
    if series.reference_m3_s is None:
        return "not corrected for flow: no flow tag"
    return f"led back to {show(series.reference_m3_s, 'm3/h', 0)}"


def _slope_words(window_d: int, trend: Trend) -> str:
    slope = f"{window_d} days: {trend.slope:+.1f} Pa a day"
    if not (math.isfinite(trend.low) and math.isfinite(trend.high)):
        return f"{slope} (too few points for an interval)"
    return f"{slope} (95 % interval {trend.low:+.1f} to {trend.high:+.1f})"


RULE = Rule(
    name="rising_residual_dp",
    title="Residual DP rises",
    chapter=Chapter.DP,
    looks_for="A step or a steady rise of the DP left after cleaning, led back to one flow.",
    needs=(Need(any_of=(Role.DP,), purpose="to see what is left after a cleaning"),),
    thresholds=(
        Threshold("rise", "0.1", Dimension.RATIO, "relative rise that matters", "chosen"),
        Threshold("history_days", "7", Dimension.RATIO, "days before a verdict", "chosen"),
        Threshold("step_days", "30", Dimension.RATIO, "days for which a step is told", "chosen"),
        Threshold("soon_days", "30", Dimension.RATIO, "days to the limit: next outage", "chosen"),
    ),
    check_first=(
        "rows silent or faint, header pressure",
        "set points, hopper level, DP taps",
        "dew-point, start-up and pre-coat history",
        "a bag to a laboratory",
    ),
    confused_with="silent rows, higher flow, a full hopper, a plugged DP tap",
    cautions=(
        Caution.LOCKOUT,
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
