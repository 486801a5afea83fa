"""Rows are pulsed often although DP is low.

Why: the cake is the filter. Pulses at a low DP take it off before it works, dust bleeds through,
and bags, valves and air are worn for nothing. Rule out: low DP at a low gas flow, where cleaning by
the clock goes on as set. Dust that bleeds after each pulse makes it surer.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rowcall import trade
from rowcall.condition.state import State
from rowcall.diagnosis.pulsing import minutes_in
from rowcall.diagnosis.row_rules import ROWS_NAMED
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
from rowcall.units import Dimension, percent, show


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse, by its DP and how often each row is pulsed."""
    day, subject = context.day, context.subject()
    is_on_demand = day.baghouse.cleaning.mode == "on_demand"
    fact = Fact.START_DP_PA if is_on_demand else Fact.PEAK_DP_PA
    dp_pa = context.facts.of(fact)
    between_s = _between_s(context)
    if math.isnan(dp_pa) or (not is_on_demand and math.isnan(between_s)):
        why = "the DP of its cleaning cycles, or how often rows are pulsed, is not known"
        yield Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
        return
    values = (Quantity(fact.column, dp_pa, "Pa"), Quantity("between_s", between_s, "s"))
    low_pa = context.limits["low_share"] * trade.STOP_DP.value
    level, low = (context.units.dp.show(one) for one in (dp_pa, low_pa))
    seen = f"cleaning starts at {level}" if is_on_demand else f"DP is {level} at its peak"
    if math.isfinite(between_s):
        seen += f", each row is pulsed every {show(between_s, 'min', 1)}"
    is_often = is_on_demand or between_s < context.limits["often"]
    flow_share = context.facts.of(Fact.FLOW_M3_S) / (day.baghouse.design_flow or math.nan)
    if dp_pa >= low_pa or not is_often:
        yield Answer.clear(subject, f"Not too often: {seen}.", values)
    elif flow_share < context.limits["flow_share"]:
        why = f"{seen}, but gas flow was only {percent(flow_share)} of its design"
        yield Answer.cannot_tell(subject, why, Lack.NOTHING)
    else:
        text = f"Cleaned too often for its DP: {seen}; {low} and more is usual after cleaning."
        yield context.found(subject, Urgency.WATCH, text, _ACTION, values)


def _between_s(context: Context) -> float:
    """Return the time between two pulses of a row while running, over all rows [s]."""
    day = context.day
    if not day.fires_known:
        return math.nan
    running = minutes_in(day, State.RUNNING)
    at = np.minimum(day.pulses["time_s"].to_numpy() // 60, running.size - 1).astype(np.intp)
    n_pulses = int(running[at].sum())
    if not n_pulses:
        return math.nan
    return 60.0 * float(running.sum()) * len(day.baghouse.all_rows()) / n_pulses


_ACTION = work(
    outside="Clean less often: raise the set points, or lengthen the interval step by step, and "
    "watch DP and dust after the filter for a day at each step."
)

RULE = Rule(
    name="over_cleaning",
    title="Cleaned too often",
    chapter=Chapter.CLEANING,
    looks_for="Rows pulsed often at a DP far below what is usual after cleaning.",
    needs=(
        Need(any_of=(Role.DP,), purpose="to see at which DP rows are pulsed", only_first=True),
        Need(any_of=(*ROWS_NAMED, Role.HEADER_PRESSURE), purpose="to see when rows are pulsed"),
    ),
    thresholds=(
        limit(
            "low_share",
            "0.5",
            f"of the usual stop set point ({trade.STOP_DP.text}), below which DP is low",
            chosen="half of it is near the DP of clean bags, where pulses find no cake",
        ),
        limit(
            "often",
            "10 min",
            "time between two pulses of a row below which it is pulsed often",
            chosen="20 rows at the usual interval of 20 s take 7 min; by the clock at low DP hours "
            "between two pulses do",
            dimension=Dimension.TIME,
        ),
        limit(
            "flow_share",
            "0.5",
            "of design gas flow below which a low DP is the flow's",
            chosen="DP goes with the flow, so half of it halves DP",
        ),
    ),
    check_first=("controller: set points, interval", "gas flow", "dust after the filter"),
    confused_with="a low gas flow; a plugged DP tap or a transmitter that reads low",
    cautions=(Caution.LOCKOUT,),
    judge=judge,
    uses=(Role.GAS_FLOW,),
    excused_off=True,
)
