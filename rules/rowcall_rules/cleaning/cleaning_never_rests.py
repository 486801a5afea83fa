"""Cleaning on demand goes on for hours and does not bring DP down to its stop set point.

Why: pulses that no longer take off the cake leave DP high, and the controller goes on pulsing;
that wears bags and valves and uses up air. Rule out, in this order: set points that no cleaning
can reach, short air, blinded bags, a hopper so full that dust is carried up again. A filter cleaned
by the clock never rests by design; pulses at a DP below the stop set point are a controller set to
go by the clock (`settings_differ`).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rowcall.condition.state import State
from rowcall.diagnosis.pulsing import longest, minute_dp, minutes_at_rest, minutes_in
from rowcall.diagnosis.row_rules import ROWS_NAMED
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Lack,
    Need,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, show


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse, by its longest time of pulses without a pause at a high DP."""
    day, subject = context.day, context.subject()
    cleaning, dp_pa = day.baghouse.cleaning, minute_dp(day)
    running = minutes_in(day, State.RUNNING)
    if cleaning.mode != "on_demand":
        yield Answer.clear(subject, "Cleaned by the clock, which does not pause.")
        return
    if not (running & np.isfinite(dp_pa)).any():
        why = "there is no time of this day with the unit running and DP known"
        yield Answer.cannot_tell(subject, why, Lack.NOTHING)
        return
    if not day.fires_known:
        why = "pulses are not completely recorded, so that a pause cannot be seen"
        yield Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
        return
    pulsed = running & ~minutes_at_rest(day)[1]
    begin, end = longest(pulsed & (dp_pa > cleaning.stop_dp))
    hours = (end - begin) / 60
    values = [Quantity("hours", hours, "h")]
    if 60 * (end - begin) < context.limits["hours"]:
        text = f"Cleaning pauses: at most {show(3600 * hours, 'min', 0)} of pulses without one "
        yield Answer.clear(subject, f"{text}with DP above the stop set point.", values)
        return
    yield _found(context, begin, end, float(np.median(dp_pa[begin:end])))


def _found(context: Context, begin: int, end: int, level_pa: float) -> Answer:
    units, cleaning = context.units, context.day.baghouse.cleaning
    is_high = level_pa > cleaning.start_dp
    name, level = ("start", cleaning.start_dp) if is_high else ("stop", cleaning.stop_dp)
    lasted = show(60.0 * (end - begin), "h", 1)
    return context.found(
        context.subject(),
        Urgency.NOW if is_high else Urgency.NEXT_OUTAGE,
        f"DP stayed at {units.dp.show(level_pa)}, above the {name} set point of "
        f"{units.dp.show(level)}, while rows were pulsed without a pause for {lasted}.",
        _ACTION,
        (Quantity("hours", (end - begin) / 60, "h"), Quantity("dp_pa", level_pa, "Pa")),
        start=context.at(60.0 * begin),
        end=context.at(60.0 * end),
    )


_ACTION = work(
    outside="Rule out in this order: set points that no cleaning can reach (controller); header "
    "pressure too low (gauge); blinded bags (residual DP of the weeks before); a full hopper "
    "(level, discharge).",
    isolated="a bag for a laboratory, if nothing of this explains it.",
)

RULE = Rule(
    name="cleaning_never_rests",
    title="Cleaning never rests",
    chapter=Chapter.CLEANING,
    looks_for="Cleaning on demand: hours of pulses without a pause with DP above its stop set "
    "point.",
    needs=(
        Need(
            any_of=(Role.DP,),
            purpose="to see whether cleaning reaches its stop set point",
            max_step_s=600.0,  # chosen: coarser points may miss a bout that reached it
            only_first=True,
        ),
        Need(any_of=(*ROWS_NAMED, Role.HEADER_PRESSURE), purpose="to see when rows are pulsed"),
    ),
    thresholds=(
        limit(
            "hours",
            "120 min",
            "time of pulses without a pause and above the stop set point",
            chosen="a bout is a few passes of minutes each; after a start it may take an hour",
            dimension=Dimension.TIME,
        ),
    ),
    check_first=(
        "set points at the controller",
        "header pressure, rows silent or weak",
        "residual DP of the weeks before; hopper level and discharge",
    ),
    confused_with="cleaning set to go by the clock; a plugged DP tap",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    judge=judge,
    uses=(Role.GAS_FLOW,),
    excused_off=True,
)
