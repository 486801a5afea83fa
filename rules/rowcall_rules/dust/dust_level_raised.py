"""Dust between pulses is raised: its base level stepped up, or rises from day to day.

Why: dust that passes at all times, not only after a pulse, comes through a hole, a seat or a crack
that no cake closes: a bag torn or dropped, a seal of the tube sheet, a damper of the bypass. Rule
out: higher load and flow (corrected for where flow is known), new bags until a cake has formed, a
monitor whose windows soil or whose zero drifts, water droplets at low temperature.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from rowcall.diagnosis.dp_series import DpSeries, by_day, series_of
from rowcall.diagnosis.dust_words import name_of, show_dust
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

_BASES = {Role.DUST_SIGNAL: Fact.DUST_BASE, Role.OPACITY: Fact.OPACITY_BASE}
_ERRORS = {Role.DUST_SIGNAL: Fact.DUST_BASE_ERROR, Role.OPACITY: Fact.OPACITY_BASE_ERROR}


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by the base level of dust signal, else of opacity, of 90 days."""
    known = [role for role, fact in _BASES.items() if (fact, 0, 0) in context.facts]
    if not known:
        why = "no level of dust between pulses is known while gas flowed"
        yield Answer.cannot_tell(context.subject(), why, Lack.NOTHING)
        return
    role = known[0]
    base, flow = by_day(context, _BASES[role]), by_day(context, Fact.FLOW_M3_S)
    series = series_of(context, base, flow if context.day.day in flow else None)
    if series is None or series.number.size < context.limits["history_days"]:
        n = 0 if series is None else series.number.size
        why = f"{n} of {context.limits['history_days']:.0f} days of {name_of(role)} are known"
        yield Answer.cannot_tell(context.subject(), why, Lack.HISTORY)
        return
    rise = find_rise(
        series, series.trend(), context.limits, context.limits["doubt"], series.days[-1]
    )
    yield _answer(context, role, series, rise)


def _answer(context: Context, role: Role, series: DpSeries, seen: Rise) -> Answer:
    level, usual = seen.level, seen.level / (1 + seen.frac)
    values = (
        Quantity("level", level, _BASES[role].value.unit),
        Quantity("usual_level", usual, _BASES[role].value.unit),
        Quantity("rise", seen.frac, "1"),
        Quantity("error", context.facts.of(_ERRORS[role]), _BASES[role].value.unit),
    )
    lead = f"{name_of(role)} between pulses {show_dust(context.day, role, level)}"
    basis = "not corrected for flow: no flow tag" if series.log_flow is None else "at one flow"
    if seen.step is None and not seen.is_rising:
        text = f"{lead[0].upper()}{lead[1:]} ({basis}), not rising over {series.number.size} days."
        return Answer.clear(context.subject(), text, values)
    start, how = series.days[0], f"rises, by {percent(seen.frac)} over the known days"
    if seen.step is not None:
        start = seen.step.day
        how = f"stepped up by {percent(seen.step.rise_frac)} on {start.isoformat()}"
    return context.found(
        context.subject(),
        Urgency.NEXT_OUTAGE if seen.frac >= context.limits["rise_much"] else Urgency.WATCH,
        f"{lead[0].upper()}{lead[1:]} ({basis}): {how}; usual is "
        f"{show_dust(context.day, role, usual)}. Dust passes between pulses too.",
        _ACTION,
        values,
        start=context.day.start - timedelta(days=(context.day.day - start).days),
    )


_ACTION = work(
    outside="Check zero and span of the monitor and its windows, the bypass damper, and whether DP "
    "fell on the same day; see which row's puff is large.",
    isolated="tube sheet and clean-air plenum for dust below holes, loose seats, dropped bags; "
    "dye test where nothing shows.",
)

RULE = Rule(
    name="dust_level_raised",
    title="Dust between pulses is raised",
    chapter=Chapter.DUST,
    looks_for="A step or a steady rise of the dust signal (else opacity) between pulses, corrected "
    "to one flow.",
    needs=(
        Need(
            any_of=(Role.DUST_SIGNAL, Role.OPACITY),
            purpose="to see dust after the filter",
            max_step_s=300.0,  # chosen: coarser points leave too few of an hour
        ),
    ),
    thresholds=(
        limit(
            "rise",
            "50 %",
            "relative rise that matters",
            chosen="windows, humidity and load move a base level by tens of percent",
        ),
        limit(
            "rise_early",
            "30 %",
            "relative rise so far that matters where it makes `rise` in a month",
            chosen="three fifths of `rise`, as for residual DP",
        ),
        limit(
            "rise_much",
            "100 %",
            "relative rise that wants action at the next outage",
            chosen="twice the usual is beyond what windows and humidity do",
        ),
        limit(
            "doubt",
            "0.01",
            "probability that nothing rises, below which a trend is one",
            chosen="with `rise` it is rarely reached by chance",
        ),
        limit(
            "step_days",
            "14",
            "days for which a step stays a finding",
            chosen="two weeks are enough to be read and acted on",
        ),
        limit(
            "history_days",
            "7",
            "days that must be known, today included",
            chosen="a week holds its weekend",
        ),
    ),
    check_first=(
        "zero and span of the monitor, its windows; bypass damper",
        "DP on the same day: a fall speaks for a dropped bag or a bypass",
        "isolated: tube sheet and plenum for dust, seats and dropped bags",
    ),
    confused_with="higher load; new bags; a monitor with soiled windows; water droplets",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    judge=judge,
)
