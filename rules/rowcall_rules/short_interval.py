"""The next row fires before the header is back: the interval is too short for the recovery.

Why: each pulse then starts from a lower pressure than the one before, a staircase down to an
equilibrium; all rows are cleaned more weakly than the set pressure promises. The refill is first
order, so 95 % of a drop is made good after tau ln 20, and no shorter interval will do. Looks like,
but is not: a header that refills slowly today (its feed is at fault, not the setting).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall.diagnosis.headers import headers_of
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Fact,
    FactBook,
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


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every header; reads interval_s, recovery_s, plateau_pa and left_pa."""
    day, limits = context.day, context.limits
    facts = context.facts
    for header in headers_of(day):
        yield _judge_header(day, facts, header, limits)


def _judge_header(day: BaghouseDay, facts: FactBook, header: int, limits: Limits) -> Answer:
    def of(fact: Fact) -> float:
        return facts.of(fact, header)

    subject = Subject(day.baghouse.id, header)
    interval, recovery = of(Fact.INTERVAL_S), of(Fact.RECOVERY_S)
    plateau, left = of(Fact.PLATEAU_PA), of(Fact.SHORTFALL_PA)
    if math.isnan(interval):
        return Answer.cannot_tell(subject, "not every pulse is known, so no interval is")
    if math.isnan(recovery):
        return Answer.cannot_tell(subject, "no refill could be followed")
    usual = day.history.usual(
        Fact.RECOVERY_S, header, 0, quantile=0.25, min_days=limits["history_days"]
    )
    needed = recovery if math.isnan(usual) else min(recovery, usual)
    values = (
        Quantity("interval_s", interval, "s"),
        Quantity("recovery_s", recovery, "s"),
        Quantity("shortest_interval_s", needed, "s"),
        Quantity("shortfall_pa", left, "Pa"),
        Quantity("shortfall_share", left / plateau, "1"),
    )
    seen = f"{show(interval, 's', 1)} between pulses, 95 % made good in {show(recovery, 's', 1)}"
    if interval >= recovery:
        return Answer.clear(subject, f"Time to recover: {seen}.", values)
    if interval >= needed:
        return Answer.clear(
            subject,
            f"Time to recover as usual ({show(usual, 's', 1)}), but not today: {seen}.",
            values,
        )
    if left < limits["min_shortfall"] * plateau:
        return Answer.clear(subject, f"Hardly any sag ({left / plateau:.1%}): {seen}.", values)
    cycle = _over_cycle(of(Fact.CYCLE_LOSS_PA), of(Fact.CYCLE_LOSS_SHARE))
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.WATCH,
        start=day.start,
        end=day.end,
        values=values,
        text=f"The next row fires before the header is back: {seen}. Pulses start "
        f"{show(left, 'bar', 2)} ({left / plateau:.0%}) below the {show(plateau, 'bar', 2)} gauge "
        f"that the header tends to.{cycle}",
        action=f"At the controller: {show(needed, 's', 0)} or more between two pulses on this "
        f"header{_as_set(facts, interval, needed)}; else a larger feed (regulator, line).",
    )


def _over_cycle(loss_pa: float, share: float) -> str:
    if math.isnan(loss_pa):
        return ""
    return (
        f" Over a cleaning cycle the pressure before pulses falls by {show(loss_pa, 'bar', 2)} "
        f"({share:.0%})."
    )


def _as_set(facts: FactBook, interval: float, needed: float) -> str:
    """Say the setting from row to row, where compartments take turns in between."""
    row = facts.of(Fact.ROW_INTERVAL_S)
    if math.isnan(row) or row > 0.9 * interval:
        return ""
    return f" (from row to row {show(needed * row / interval, 's', 1)})"


RULE = Rule(
    name="short_interval",
    title="Interval too short to recover",
    chapter=Chapter.AIR,
    looks_for="Less time between pulses on a header than 95 % of a drop takes to be made good.",
    needs=(Need(any_of=(Role.HEADER_PRESSURE,), purpose="to follow the refill"),),
    thresholds=(
        Threshold(
            "min_shortfall",
            "2 %",
            Dimension.RATIO,
            "of the plateau missing at the next pulse, below which it does no harm",
            "chosen",
        ),
        Threshold(
            "history_days", "3", Dimension.RATIO, "days that make the usual recovery", "chosen"
        ),
    ),
    check_first=(
        "interval set at the controller",
        "pressure just before the first and the last row of a round",
    ),
    confused_with="a header that refills slowly: drain, regulator, filter, line",
    cautions=(Caution.LOCKOUT,),
    references=("95 % after tau ln 20: first-order fill", "common practice, no source"),
    judge=judge,
)
