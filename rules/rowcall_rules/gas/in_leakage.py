"""Air leaks in: gas cools from inlet to outlet by more than flow and weather explain.

Why: under suction, a door seal, a seam or a rotary valve that wears lets in ambient air, which
cools the gas towards dew points and takes fan power. The casing's own loss of heat goes with
1 / flow, so flow and ambient temperature account for it, and the site's own days are the reference
(`cooling`). Rule out: less gas (its part is taken out by days of other flow), rain and wind (some
per cent of the casing's own loss), an outlet or inlet thermocouple that was renewed or drifts, a
spray between the tags.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from rowcall.diagnosis.dp_series import DpSeries, at_median_of, by_day, series_of
from rowcall.diagnosis.rise import Rise, find_rise
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Need,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import percent


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by how its gas cools from day to day."""
    yield _judged(context)


def _judged(context: Context) -> Answer:
    subject = context.subject()
    if (Fact.COOLING, 0, 0) not in context.facts:
        why = (
            "inlet, outlet and ambient temperature were not known with gas flow for six steady "
            "hours (ambient: by its tag, or by what the gas's tags fell to at a halt of hours)"
        )
        return Answer.cannot_tell(subject, why, Lack.TAG, "ambient temperature")
    series = _series(context)
    trend = None if series is None else series.trend()
    if series is None or trend is None or series.number.size < context.limits["history_days"]:
        n = 0 if series is None else series.number.size
        why = f"{n} days are known, too few for a trend"
        return Answer.cannot_tell(subject, why, Lack.HISTORY)
    rise = find_rise(series, trend, context.limits, context.limits["doubt"], context.day.day)
    return _answer(context, rise)


def _series(context: Context) -> DpSeries | None:
    """Gas above ambient, inlet over outlet, at the median flow, by day; it rises by the leak."""
    facts = (Fact.COOLING, Fact.COOLING_ERROR, Fact.COOLING_FLOW_M3_S)
    log, error, flow = (by_day(context, fact) for fact in facts)
    days = [day for day in log if day in flow and error.get(day, 0.0) <= context.limits["rise"] / 2]
    if context.day.day not in days:
        return None
    value, per_flow = (
        np.array([log[day] for day in days]),
        np.array([1 / flow[day] for day in days]),
    )
    lost = float(np.median(value)) * per_flow / float(np.median(per_flow))
    ratio = np.exp(at_median_of(value, lost)).tolist()
    return series_of(context, dict(zip(days, ratio, strict=True)), None)


def _answer(context: Context, seen: Rise) -> Answer:
    values = (
        Quantity("leak", seen.frac, "1"),
        Quantity("level", seen.level, "1"),
        Quantity("usual_level", seen.level / (1 + seen.frac), "1"),
    )
    lead = "Gas cools between inlet and outlet"
    if seen.step is None and not seen.is_rising:
        return Answer.clear(
            context.subject(), f"{lead} as usual at its flow and the ambient temperature.", values
        )
    start = context.day.day if seen.step is None else seen.step.day
    when = "steadily more" if seen.step is None else f"more since {start.isoformat()}"
    urgency = Urgency.NEXT_OUTAGE if seen.frac >= context.limits["large"] else Urgency.WATCH
    return context.found(
        context.subject(),
        urgency,
        f"{lead} {when}, as with {percent(seen.frac)} more air leaking in, at the same flow and "
        "ambient temperature.",
        _ACTION,
        values,
        start=context.day.start - timedelta(days=(context.day.day - start).days),
    )


_ACTION = work(
    outside="Listen and feel along doors, seams, hopper discharge and ducts between the two "
    "thermocouples for air that is drawn in; compare both thermocouples with a second reading; "
    "compare O2 before and after the filter where it is measured.",
    isolated="door seals, expansion joints and the rotary valve.",
)

RULE = Rule(
    name="in_leakage",
    title="Air leaks in",
    chapter=Chapter.TEMPERATURE,
    looks_for="A step or a steady rise of how much gas cools between inlet and outlet, beyond what "
    "flow and ambient temperature explain.",
    needs=(
        Need(any_of=(Role.INLET_TEMPERATURE,), purpose="to see how gas cools", max_step_s=1800.0),
        Need(any_of=(Role.OUTLET_TEMPERATURE,), purpose="to see how gas cools", max_step_s=1800.0),
        Need(any_of=(Role.GAS_FLOW,), purpose="to see loss of heat apart from leaks"),
    ),
    thresholds=(
        limit(
            "rise",
            "5 %",
            "share of air leaked in that matters",
            chosen="rain and wind on the casing look like 1 to 2 %",
        ),
        limit(
            "rise_early",
            "4 %",
            "share so far that matters where it makes `rise` in a month",
            chosen="above what rain and wind look like",
        ),
        limit(
            "large",
            "15 %",
            "share from which it wants the next outage",
            chosen="fan power grows with more than the square of it",
        ),
        limit(
            "doubt",
            "0.5 %",
            "probability of no rise below which a rise is found",
            chosen="a trend is looked for every day of the year",
        ),
        limit(
            "history_days",
            "14",
            "days before a verdict",
            chosen="two weeks hold each weekday twice",
        ),
        limit(
            "step_days",
            "30",
            "days for which a step is reported",
            chosen="a month leaves time for an outage",
        ),
    ),
    check_first=(
        "doors, seams, hopper discharge and ducts from outside: air drawn in is heard and felt",
        "both thermocouples against a second reading",
        "O2 before and after the filter, where it is measured",
        "isolated: door seals, expansion joints, rotary valve",
    ),
    confused_with="a thermocouple renewed or drifting, rain and wind, less gas",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=("loss of heat of a flow to its surroundings: exponential in UA / (m c)",),
    judge=judge,
)
