"""The next row pulses before the header is back: the interval is too short for the recovery.

Why: each pulse then starts from a lower pressure than the one before, a staircase down to an
equilibrium; all rows are cleaned more weakly than the set pressure promises. Weighed is what that
does to cleaning: residual DP goes with the pressure of the pulse to the power of -0.65. Rule out: a
header that refills slowly today (its feed is at fault, not the setting), and one that always takes
long: a longer interval cleans each row less often, so it takes a larger lack to be worth it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall import trade
from rowcall.diagnosis.headers import headers_of, needs_header, recovered_in
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.units import percent, show

# Residual DP by pulse pressure: value from memory, EPA Air Pollution Control Cost Manual, 1.2.6.2
_CLEANING_POWER = 0.65
_TAKES_TURNS = 0.9  # chosen: below this share of a header's interval, others pulse in between


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every header by its interval, recovery, plateau and shortfall."""
    for header in headers_of(context.day):
        yield _judge_header(context, header)


def _judge_header(context: Context, header: int) -> Answer:
    subject, facts = context.subject(header), context.facts
    interval, recovery = facts.of(Fact.INTERVAL_S, header), facts.of(Fact.RECOVERY_S, header)
    if math.isnan(interval):
        why = "not every pulse is known, so no interval is"
        return Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
    if math.isnan(recovery):
        return Answer.cannot_tell(subject, "no refill could be followed", Lack.FINE_PRESSURE)
    usual = context.history.usual(
        Fact.RECOVERY_S, header, 0, quantile=0.25, min_days=context.limits["history_days"]
    )
    needed = recovery if math.isnan(usual) else min(recovery, usual)
    values = _values(context, header, needed)
    error = facts.of(Fact.RECOVERY_LOG_ERROR, header)
    seen = (
        f"{show(interval, 's', 1)} between pulses, 95 % {recovered_in(recovery, error, interval)}"
    )
    if interval >= recovery:
        return Answer.clear(subject, f"Time to recover: {seen}.", values)
    if interval >= needed:
        as_usual = f"Time to recover as usual ({show(usual, 's', 1)}), but not today"
        return Answer.clear(subject, f"{as_usual}: {seen}.", values)
    plateau, shortfall, drop = (
        facts.of(fact, header) for fact in (Fact.PLATEAU_PA, Fact.SHORTFALL_PA, Fact.REFILL_DROP_PA)
    )
    share = shortfall / plateau
    is_slow = needed > context.limits["slow"]
    is_small = share < context.limits["min_shortfall_slow" if is_slow else "min_shortfall"]
    if is_small or shortfall < context.limits["min_shortfall_drop"] * drop:
        still = (
            f"{percent(1 - shortfall / drop)} of a drop are recovered by the next pulse, which "
            f"starts {percent(share)} below the plateau"
        )
        return Answer.clear(subject, f"Slow but sound, {still}: {seen}.", values)
    units = context.units
    text = (
        f"The next row pulses before the header is back: {seen}. Pulses start "
        f"{units.pressure.show(shortfall)} ({percent(share)}) below the "
        f"{units.gauge.show(plateau)} that the header tends to, so residual DP is about "
        f"{percent((1 - share) ** -_CLEANING_POWER - 1)} higher.{_over_cycle(context, header)}"
    )
    return context.found(subject, Urgency.WATCH, text, _action(context, header, needed), values)


def _values(context: Context, header: int, needed: float) -> tuple[Quantity, ...]:
    facts = context.facts
    shortfall = facts.of(Fact.SHORTFALL_PA, header)
    return (
        Quantity("interval_s", facts.of(Fact.INTERVAL_S, header), "s"),
        Quantity("recovery_s", facts.of(Fact.RECOVERY_S, header), "s"),
        Quantity("shortest_interval_s", needed, "s"),
        Quantity("shortfall_pa", shortfall, "Pa"),
        Quantity("shortfall_share", shortfall / facts.of(Fact.PLATEAU_PA, header), "1"),
    )


def _over_cycle(context: Context, header: int) -> str:
    loss = context.facts.of(Fact.CYCLE_LOSS_PA, header)
    if math.isnan(loss):
        return ""
    share = percent(context.facts.of(Fact.CYCLE_LOSS_SHARE, header))
    return f" Pressure loss over a cleaning cycle: {context.units.pressure.show(loss)} ({share})."


def _action(context: Context, header: int, needed: float) -> str:
    setting = f"{show(needed, 's', 1)} or more between two pulses on this header"
    interval = context.facts.of(Fact.INTERVAL_S, header)
    row = context.facts.of(Fact.ROW_INTERVAL_S)
    if row <= _TAKES_TURNS * interval:  # the setting counts from row to row of all headers
        setting += f" (from row to row {show(needed * row / interval, 's', 1)})"
    return work(outside=f"At the controller: {setting}; else plan a larger feed (regulator, line).")


RULE = Rule(
    name="short_interval",
    title="Interval too short to recover",
    chapter=Chapter.AIR,
    looks_for="Less time between pulses on a header than it takes to recover 95 % of a drop.",
    needs=(needs_header("to follow the refill"),),
    thresholds=(
        limit(
            "min_shortfall",
            "4.5 %",
            "of the plateau missing at the next pulse, below which it does no harm",
            chosen="residual DP is 3 % higher then",
        ),
        limit(
            "min_shortfall_drop",
            "26 %",
            "of the drop missing at the next pulse, below which a header is slow but sound",
            chosen="four fifths of what a pulse empties are recovered by then",
        ),
        limit(
            "min_shortfall_slow",
            "20 %",
            "of the plateau, where the header takes long to recover",
            chosen="10 % at least, as a plateau far ahead may be overstated: residual DP is 7 % "
            "higher; for less, pulsing each row less often gains nothing",
        ),
        limit(
            "slow",
            trade.RECOVERY_LONGEST.text,
            trade.RECOVERY_LONGEST.meaning,
            source=trade.RECOVERY_LONGEST.source,
            dimension=trade.RECOVERY_LONGEST.dimension,
        ),
        limit(
            "history_days",
            "3",
            "days that make the usual recovery",
            chosen="fewer may all be days of a slow supply",
        ),
    ),
    check_first=(
        "interval set at the controller",
        "pressure just before the first and the last row of a round",
    ),
    confused_with="a header that refills slowly: drain, regulator, filter, line",
    cautions=(Caution.LOCKOUT,),
    references=("common practice, no source",),
    judge=judge,
    excused_off=True,
)
