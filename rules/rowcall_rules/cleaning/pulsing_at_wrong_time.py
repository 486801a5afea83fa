"""Rows are pulsed without gas, or on new bags before they bear a first cake.

Why: pulses without gas clean down after a stop; longer, they only wear bags and take the cake that
the next start needs. New bags without a first cake let dust into the fabric, where it stays. Rule
out: a clean-down after a stop, as long as the site wants it; a part of the bags that was changed,
among others that bear cake.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from rowcall.condition.state import State
from rowcall.diagnosis.pulsing import longest, minute_dp, minutes_at_rest, minutes_in
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
    Work,
    WorkEntry,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, show


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse: on a first start of new bags, and on pulses without gas."""
    day, subject = context.day, context.subject()
    idle = minutes_in(day, State.IDLE)
    if minutes_in(day, State.UNKNOWN).all():
        why = "nothing shows when gas flows"
        yield Answer.cannot_tell(subject, why, Lack.TAG, "gas flow or a fan signal")
        return
    if not day.fires_known:
        why = "pulses are not completely recorded, so that a pause cannot be seen"
        yield Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
        return
    begin, end = longest(idle & ~minutes_at_rest(day)[1])
    lasted = show(60.0 * (end - begin), "min", 0)
    values = (Quantity("pulsed_idle", 60.0 * (end - begin), "s"),)
    first = _before_cake(context)
    if first:
        yield first
    elif 60 * (end - begin) > context.limits["clean_down"]:
        allowed = show(context.limits["clean_down"], "min", 0)
        yield context.found(
            subject,
            Urgency.WATCH,
            f"Rows were pulsed for {lasted} without gas; a clean-down takes up to {allowed}.",
            _STOP,
            values,
            start=context.at(60.0 * begin),
            end=context.at(60.0 * end),
        )
    else:
        yield Answer.clear(subject, f"Pulsed for at most {lasted} without gas.", values)


def _before_cake(context: Context) -> Answer | None:
    """Find pulses on new bags before their first cake."""
    at_s = context.day.pulses["time_s"].to_numpy()
    for entry in context.work.of(Work.BAGS_CHANGED):
        begin_s = _first_start(context, entry) if entry.covers(context.subject()) else None
        if begin_s is None:
            continue
        end_s = _cake_s(context, begin_s)
        n_pulses = int(((at_s >= begin_s) & (at_s < end_s)).sum())
        if n_pulses < context.limits["min_pulses"]:
            continue
        level = context.units.dp.show(context.limits["first_cake"])
        return context.found(
            context.subject(),
            Urgency.WATCH,
            f"{n_pulses} pulses on the bags of {entry.date} before their first cake (DP below "
            f"{level}).",
            _HOLD,
            (Quantity("n_before_cake", float(n_pulses), "1"),),
            start=context.at(begin_s),
            end=context.at(end_s),
        )
    return None


def _first_start(context: Context, entry: WorkEntry) -> float | None:
    """Return when the unit was first started after work, None where that was not today [s]."""
    for fact in (Fact.N_STARTS, Fact.RUNNING_MIN):
        days, n = context.history.of(fact)
        since = [one for day, one in zip(days, n, strict=True) if day > entry.day and one > 0]
        if since:
            return None
    after_s = (entry.at - context.day.start).total_seconds()
    starts = context.day.starts.filter((pl.col("kind") == "start") & (pl.col("begin_s") >= after_s))
    first = starts["begin_s"].min()
    return first if isinstance(first, float) else None


def _cake_s(context: Context, begin_s: float) -> float:
    """Return when DP first reached that of a first cake, or the unit halted [s]."""
    day, first = context.day, int(begin_s // 60)
    ends = (minute_dp(day) >= context.limits["first_cake"]) | minutes_in(day, State.IDLE)
    reached = np.flatnonzero(ends[first + 1 :])
    return 60.0 * (first + 1 + reached[0]) if reached.size else day.seconds


_STOP = work(
    outside="At the controller: let cleaning end with the fan, after the clean-down that the plant "
    "wants (state it as `clean_down`)."
)
_HOLD = work(
    outside="At the next start on new bags hold cleaning off until DP shows a first cake; watch "
    "residual DP and dust after the filter for the next weeks."
)

RULE = Rule(
    name="pulsing_at_wrong_time",
    title="Pulsed at the wrong time",
    chapter=Chapter.CLEANING,
    looks_for="Pulses without gas for longer than a clean-down, or on bags without a first cake.",
    needs=(
        Need(any_of=(*ROWS_NAMED, Role.HEADER_PRESSURE), purpose="to see when rows are pulsed"),
    ),
    thresholds=(
        limit(
            "clean_down",
            "30 min",
            "time of pulses without gas after a stop",
            chosen="some passes of all rows; a site that cleans down for longer states it",
            dimension=Dimension.TIME,
        ),
        limit(
            "first_cake",
            "0.5 kPa",
            "DP at which new bags bear a first cake",
            chosen="above the DP of clean bags at full flow, below the usual stop set point",
            dimension=Dimension.PRESSURE,
        ),
        limit(
            "min_pulses",
            "20",
            "pulses before a first cake that count",
            chosen="valves may be tried out before a start",
        ),
    ),
    check_first=("controller: interlock with the fan, clean-down, manual", "work log"),
    confused_with="a clean-down after a stop; a part of the bags changed",
    cautions=(Caution.LOCKOUT,),
    judge=judge,
    uses=(Role.GAS_FLOW,),
    excused_off=True,
)
