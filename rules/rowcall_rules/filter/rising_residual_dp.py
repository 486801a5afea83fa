"""Residual DP rises: the bags no longer come clean as they did.

Why: the DP left just after a cleaning shows the bag's own state. It rises slowly as fine dust works
into the fabric (blinding), or at once after a dew-point event, a cold start or an upset. DP grows
with flow, so it is corrected to one flow wherever flow is known. Rule out: rows that are no longer
cleaned (mend those first and watch a day before blaming bags), higher flow, a full hopper, a
plugged tap; by the clock more dust, where the cake that a pass brings is known. A set point or a
transmitter that changed is not ageing: DP is compared from then on.
Under cleaning on demand the controller holds DP at its stop set point, so residual
drag moves less than cycle time and pulses a day do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from rowcall.diagnosis.dp_changes import newest_change
from rowcall.diagnosis.dp_series import DpSeries, cloth_dp, dp_series
from rowcall.diagnosis.rise import Rise, Step, find_rise
from rowcall.diagnosis.trend import Trend
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    FactBook,
    Lack,
    Need,
    Quantity,
    Rule,
    Urgency,
    Verdict,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Units, percent

_MOSTLY = 0.8  # [-] chosen: of the days, with cake known, to say that it is cake
_FORTNIGHT = 14  # [d] every weekday was seen twice
_BLIND = 0.1  # [-] of `doubt`: without flow, one week may hold a ramp that is its load
_PAST = (Fact.RESIDUAL_DP_PER_FLOW, Fact.RESIDUAL_DP_PA)
_MIN_DATED_D = 21  # [d] trials: intervals of fewer days cover 0.72-0.85 where noise lasts
_TAIL = 0.01  # [-] at each end of an interval of dates: 0.025 covers 0.75-0.9 after a bend
_NEXT_ONE_D = 365  # chosen: an outage a year; what is due later can wait for the one after
_DAYS_AHEAD = np.concatenate((np.arange(120.0), np.geomspace(120, 3650, 60)))  # to ten years


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by residual DP at one flow, else by residual DP, of 90 days."""
    series = dp_series(context)
    if series is None:
        why = "no cleaning cycle of this day lay wholly in running operation"
        yield Answer.cannot_tell(context.subject(), why, Lack.NOTHING)
        return
    trend = series.trend()
    note, change = newest_change(context, series, trend)
    if change is not None:
        series = series.since((change - context.day.day).days)
        trend = series.trend()
    if change is not None and series.number.size < context.limits["history_days"]:
        known = f"{series.number.size} of {context.limits['history_days']:.0f} days since are known"
        yield Answer.cannot_tell(context.subject(), f"{note}, and {known}", Lack.HISTORY)
        return
    is_blind = series.log_flow is None and series.number.size < _FORTNIGHT
    doubt = context.limits["doubt"] * (_BLIND if is_blind else 1.0)
    rise = find_rise(series, trend, context.limits, doubt, context.day.day)
    if (rise.step is not None or rise.is_rising) and _is_dust(context, series, doubt):
        level, basis = context.units.dp.show(rise.level), series.basis(context.units)
        text = (
            f"Residual DP {level} ({basis}), up by {percent(rise.frac)} as there is more dust: "
            "drag of the cloth itself does not rise."
        )
        yield Answer.clear(context.subject(), text, _values(rise, context.facts))
        return
    yield _answer(context, series, rise, note)


def _is_dust(context: Context, series: DpSeries, doubt: float) -> bool:
    """Whether cake explains a rise: by the clock more dust raises what pulses leave of it."""
    cloth = cloth_dp(context) if context.day.baghouse.cleaning.mode == "on_time" else None
    if cloth is None:
        return False
    cloth = cloth.since(int(series.number[0]))
    seen = find_rise(cloth, cloth.trend(), context.limits, doubt, context.day.day)
    is_known = cloth.number.size >= _MOSTLY * series.number.size
    return is_known and seen.step is None and not seen.is_rising


def _answer(context: Context, series: DpSeries, seen: Rise, note: str) -> Answer:
    values = list(_values(seen, context.facts))
    units, trend = context.units, seen.trend
    slope = "too few days for a trend" if trend is None else _slope_words(trend, units)
    lead = f"Residual DP {units.dp.show(seen.level)} ({series.basis(units)})"
    note = f" {note[0].upper()}{note[1:]}." if note else ""
    if seen.step is None and trend is None:
        why = f"{lead[0].lower()}{lead[1:]}; {slope} ({series.number.size} known)"
        return Answer.cannot_tell(context.subject(), why, Lack.HISTORY)
    if seen.step is None and not seen.is_rising:
        return Answer.clear(context.subject(), f"{lead}, not rising: {slope}.{note}", values)
    start = series.days[0]
    if seen.step is not None:
        start = seen.step.day
        lead += f"; {_step_words(seen.step, units)}"
    if seen.is_rising:
        lead += f"; {seen.words}"
    limit_text, urgency = _projection(context, seen)
    return context.found(
        context.subject(),
        urgency,
        f"{lead}; {slope}. {limit_text}{note}{_mend_rows_first(context)}",
        _ACTION,
        values,
        start=context.day.start - timedelta(days=(context.day.day - start).days),
    )


def _values(seen: Rise, facts: FactBook) -> Iterator[Quantity]:
    yield Quantity("residual_dp_corrected", seen.level, "Pa")
    if seen.trend is not None:
        yield Quantity("slope", seen.trend.rate, "Pa/d")
        yield Quantity("slope_low", seen.trend.rate_quantile(0.025), "Pa/d")
        yield Quantity("slope_high", seen.trend.rate_quantile(0.975), "Pa/d")
    if seen.step is not None:
        yield Quantity("step_rise", seen.step.rise_frac, "1")
    yield Quantity("rise", seen.frac, "1")
    fact = next(fact for fact in _PAST if (fact, 0, 0) in facts)
    yield Quantity("level", facts[fact, 0, 0], fact.value.unit)
    yield Quantity("usual_level", facts[fact, 0, 0] / (1 + seen.frac), fact.value.unit)


def _step_words(step: Step, units: Units) -> str:
    return (
        f"stepped up by {percent(step.rise_frac)} on {step.day.isoformat()} "
        f"({units.dp.show(step.before)} to {units.dp.show(step.after)})"
    )


def _projection(context: Context, seen: Rise) -> tuple[str, Urgency]:
    """Say when the limit is reached, as an interval of dates, and how urgent that is."""
    limit_pa = context.day.baghouse.residual_dp_limit
    if limit_pa is None:
        return "The site file states no residual DP limit, so no date is projected.", Urgency.WATCH
    named = f"the limit of {context.units.dp.show(limit_pa)}"
    if seen.level >= limit_pa:
        return f"{named[0].upper()}{named[1:]} is reached.", Urgency.NOW
    early, late = (math.inf, math.inf) if seen.trend is None else reached(seen.trend, limit_pa)
    if math.isinf(early):
        why = "is not reached; the trend is not steady enough to project a date."
        return f"{named[0].upper()}{named[1:]} {why}", Urgency.WATCH
    outage = _outage_in(context)
    urgency = _urgency(early, late, outage, context.limits["soon_days"])
    if seen.trend is not None and seen.trend.n < _MIN_DATED_D:
        why = f"is not reached; {seen.trend.n} days are too few to project a date."
        soonest = Urgency.NEXT_OUTAGE if urgency is Urgency.NOW else urgency
        return f"{named[0].upper()}{named[1:]} {why}", soonest
    first = (context.day.day + timedelta(days=early)).isoformat()
    when = f"not before {first}"
    if math.isfinite(late):
        last = (context.day.day + timedelta(days=late)).isoformat()
        when = f"between {first} and {last} (95 % interval)"
    against = _against(context, early, late, outage)
    return f"At this rate {named} is reached {when}{against}.", urgency


def _outage_in(context: Context) -> float:
    """Return the days until the next planned outage, inf where none is planned."""
    tomorrow = context.day.day + timedelta(days=1)
    planned = context.work.next_outage(context.day.baghouse.id, tomorrow)
    return math.inf if planned is None else (planned - context.day.day).days


def _urgency(early: float, late: float, outage: float, soon: float) -> Urgency:
    """Return what a planner needs: a stop of its own before the outage, or work in the outage."""
    if math.isfinite(outage) and late < outage:
        return Urgency.NOW
    last = outage + _NEXT_ONE_D if math.isfinite(outage) else soon
    return Urgency.NEXT_OUTAGE if early <= last else Urgency.WATCH


def _against(context: Context, early: float, late: float, outage: float) -> str:
    if math.isinf(outage):
        return ""
    where = "before" if late < outage else "after" if early >= outage else "perhaps before"
    day = context.day.day + timedelta(days=outage)
    return f", {where} the outage planned for {day.isoformat()}"


def reached(trend: Trend, limit_pa: float) -> tuple[float, float]:
    """Return the 95 % interval of the days until a day's value is above a limit, inf if open."""
    p = np.maximum.accumulate(trend.p_above(limit_pa, _DAYS_AHEAD))
    early, late = (np.flatnonzero(p >= share) for share in (_TAIL, 1 - _TAIL))
    return (
        math.floor(_DAYS_AHEAD[early[0]]) if early.size else math.inf,
        math.ceil(_DAYS_AHEAD[late[0]]) if late.size else math.inf,
    )


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


def _slope_words(trend: Trend, units: Units) -> str:
    scale, ends = units.dp_a_day, (trend.rate_quantile(0.025), trend.rate_quantile(0.975))
    rate, low, high = (scale.number(one, signed=True) for one in (trend.rate, *ends))
    return f"{rate} {scale.words} by now (95 % interval {low} to {high})"


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
            past=_PAST,
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
            "rise_early",
            "6 %",
            "relative rise so far that matters where it makes `rise` in a month",
            chosen="2 % a day is past it on the 8th day; weather and dust make less in a week",
        ),
        limit(
            "doubt",
            "1 %",
            "probability of no rise below which a rise is found",
            chosen="trials: 98 to 100 % of 2 % a day found by day 8 where noise is 0.3 to 1.5 %; "
            "0.1 false in 100 days (at 2.5 %: 0.3; at 0.2 %: 0.1, and 92 to 98 % found)",
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
            "days to the limit: next outage, where the work log plans none",
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
        "trend: line with one change of rate in autocorrelated noise, Bayesian averaging",
        "steps: penalised least squares, PELT",
    ),
    judge=judge,
    uses=(Role.GAS_FLOW,),
    after=("row_silent",),
    formerly="rising_baseline_dp",
)
