"""The cloth's own drag rises: dust works into it, and pulses no longer bring it back.

Why: DP just after cleaning is the drop of the cloth and of the cake that a pulse leaves. That cake
is in proportion to the cake that pulses take off: by the clock, what the dust of a pass adds; on
demand, where set points hold DP, what cycles gain in DP over their pulses. How the two go together
shows in days beside each other, whose flow and dust differ while the cloth hardly does. On demand
the cake lacks what the cloth takes of the DP, so each pulse takes off less, cycles grow short and
pulses many, and DP itself may stay in its band. Rule out: rows that are not cleaned (with a share u
of the cloth plugged altogether, DP rises by u / (1 - u) and no more) and weak air (mend those
first), more flow or heat, other set points, new dust.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from math import isfinite

from rowcall.diagnosis.dp_changes import newest_change
from rowcall.diagnosis.dp_series import DpSeries, cloth_dp, dp_series
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
    Verdict,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import percent, show

_CLEAN = Fact.CLEAN_DP_PER_FLOW
_DP_RULE = "rising_residual_dp"
_FIRST = {  # what accounts for weak cleaning, in words
    "row_silent": "rows without a pressure drop",
    "row_weak": "weak rows",
    "row_not_pulsed": "rows that are not pulsed",
    "header_leak": "a header that leaks",
    "slow_header_recovery": "a header that recovers slowly",
    "pulse_pressure": "pulse pressure",
    "supply_short": "plant air that is short",
    _DP_RULE: "residual DP that rises, which shows it already",
}
_OF_ROWS = ("row_silent", "row_weak", "row_not_pulsed")


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by the drag of its cloth, or the pulses needed for it."""
    yield _judged(context)


def _judged(context: Context) -> Answer:
    first = {rule: words for rule, words in _FIRST.items() if any(_found(context, rule))}
    muted = Answer.cannot_tell(
        context.subject(), f"{' and '.join(first.values())} found on this day", Lack.NOTHING
    )
    if first.keys() - _OF_ROWS:
        return muted
    series = cloth_dp(context)
    if series is None:
        why = "no cleaning cycle with known flow lay wholly in running operation"
        return Answer.cannot_tell(context.subject(), why, Lack.NOTHING)
    dp = dp_series(context)
    note, change = ("", None) if dp is None else newest_change(context, dp, dp.trend())
    if change is not None:
        series = series.since((change - context.day.day).days)
    n = series.number.size
    trend = series.trend()
    if trend is None or n < context.limits["history_days"]:
        why = f"{note}{', and ' if note else ''}{n} days are known, too few for a trend"
        return Answer.cannot_tell(context.subject(), why, Lack.HISTORY)
    rise = find_rise(series, trend, context.limits, context.limits["doubt"], context.day.day)
    if not first:
        return _answer(context, series, rise, note)
    uncleaned = _uncleaned(context)
    is_up = rise.step is not None or rise.is_rising
    if not (is_up and (1 + rise.frac) * (1 - uncleaned) - 1 >= context.limits["rise"]):
        return muted
    bound = percent(uncleaned / (1 - uncleaned))
    rows = f"{' and '.join(first.values())} explain a rise by {bound} at most"
    return _answer(context, series, rise, f"{note}; {rows}" if note else rows)


def _found(context: Context, rule: str) -> Iterator[Answer]:
    for one in context.answers.get(rule, ()):
        if one.verdict is Verdict.FOUND and (one.urgency is not Urgency.WATCH or rule == _DP_RULE):
            yield one


def _uncleaned(context: Context) -> float:
    """Return the share of the rows that rules on rows found: their cloth as if plugged."""
    rows = context.day.baghouse.all_rows()
    named = [one.subject for rule in _OF_ROWS for one in _found(context, rule)]
    hit = {
        (c, r) for c, r in rows for one in named if one.compartment in (0, c) and one.row in (0, r)
    }
    return len(hit) / len(rows)


def _answer(context: Context, series: DpSeries, seen: Rise, note: str) -> Answer:
    basis = f"{series.basis(context.units)}, to one cake and to gas of 20 °C"
    lead = f"DP of the cloth just after cleaning {context.units.dp.show(seen.level)} ({basis})"
    note = f" {note[0].upper()}{note[1:]}." if note else ""
    values = list(_values(seen, context.facts.of(_CLEAN)))
    if seen.step is None and not seen.is_rising:
        return Answer.clear(context.subject(), f"{lead}, not rising.{note}", values)
    start = series.days[0]
    if seen.step is not None:
        start = seen.step.day
        lead += f"; stepped up by {percent(seen.step.rise_frac)} on {start.isoformat()}"
    if seen.is_rising:
        lead += f"; {seen.words}"
    cycle_s = context.facts.of(Fact.CYCLE_TIME_S)
    cycle = f"; a cycle takes {show(cycle_s, 'min', 1)}" if isfinite(cycle_s) else ""
    return context.found(
        context.subject(),
        Urgency.WATCH,
        f"{lead}; up by {percent(seen.frac)} in all{cycle}.{note}",
        _ACTION,
        values,
        start=context.day.start - timedelta(days=(context.day.day - start).days),
    )


def _values(seen: Rise, level: float) -> Iterator[Quantity]:
    yield Quantity("rise", seen.frac, "1")
    if seen.step is not None:
        yield Quantity("step_rise", seen.step.rise_frac, "1")
    yield Quantity("level", level, _CLEAN.value.unit)
    yield Quantity("usual_level", level / (1 + seen.frac), _CLEAN.value.unit)


_ACTION = work(
    outside="Check what changed in fuel, feed or dust, and in starts (heating before gas); see "
    "whether a longer or stronger cleaning brings DP back.",
    isolated="a bag to a laboratory.",
)

RULE = Rule(
    name="blinding",
    title="Drag of the cloth rises",
    chapter=Chapter.DP,
    looks_for="A step or a steady rise of DP just after cleaning, corrected for flow, viscosity "
    "and the cake that pulses take off, under either cleaning mode.",
    needs=(
        Need(
            any_of=(Role.DP,),
            purpose="to see DP over a cleaning cycle",
            max_step_s=60.0,  # chosen: coarser points do not show what a cycle adds
            only_first=True,
        ),
        Need(any_of=(Role.GAS_FLOW,), purpose="to see drag apart from flow"),
        Need(purpose="to see a trend of drag", past=(_CLEAN,), days="history_days"),
    ),
    thresholds=(
        limit(
            "rise",
            "6 %",
            "relative rise that matters",
            chosen="15 % of the cloth alone is 6 to 12 % of the drag with the cake that stays",
        ),
        limit(
            "step",
            "8 %",
            "relative rise at once that matters",
            chosen="by trial: products make 7 % from one week to the next now and then",
        ),
        limit(
            "rise_early",
            "5.5 %",
            "relative rise so far that matters where it makes `rise` in a month",
            chosen="near what weather and products make in a week",
        ),
        limit(
            "doubt",
            "2 %",
            "probability of no rise below which a rise is found",
            chosen="by trial: sound months are as quiet as at 0.5 %, and growth is found sooner",
        ),
        limit(
            "history_days",
            "21",
            "days before a verdict",
            chosen="by trial: in less, products make a level wander that is no rise",
        ),
        limit(
            "step_days",
            "30",
            "days for which a step is reported",
            chosen="a month leaves time for an outage",
        ),
    ),
    check_first=(
        "fuel, feed and dust of these days; starts and pre-coat",
        "isolated: a bag to a laboratory",
    ),
    confused_with="rows that are not cleaned, weak air, new products, other set points",
    cautions=(
        Caution.LOCKOUT,
        Caution.STORED_AIR,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=(
        "drag of cloth and cake: form of EPA/452/B-02-001, Section 6 Chapter 1",
        "residual pressure drop and cycle duration: ISO 11057",
    ),
    judge=judge,
    uses=(Role.INLET_TEMPERATURE,),
    after=tuple(_FIRST),
)
