"""Nothing is pulsed although DP, or the clock, calls for cleaning.

Why: a controller that stopped, lost its DP signal or its air interlock, or was left in manual lets
the cake grow until the fan cannot draw the gas. Rule out: a start set point that was raised (then
cleaning starts at it, only later), bits that no longer reach the historian (then the header still
drops), new bags whose first cake is waited for.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from rowcall.condition.state import Mask, State, runs
from rowcall.diagnosis.pulsing import goes_by_dp, longest, minute_dp, minutes_at_rest, minutes_in
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
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, percent, show

_MIN_DAYS = 3  # chosen: of a set point as found, to stand beside the site file's
_MIN_DROPS = 3  # chosen: of header pressure while no pulse is recorded; one may be another user's


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse, by its longest time without a pulse that should not be."""
    unknown = _unknown(context)
    if unknown:
        why, lack = unknown
        yield Answer.cannot_tell(context.subject(), why, lack)
        return
    running, wanted_min, why = _called_for(context)
    begin, end = longest(running & minutes_at_rest(context.day)[0])
    values = (Quantity("hours", (end - begin) / 60, "h"),)
    lasted = show(60.0 * (end - begin), "min", 0)
    if end - begin < wanted_min:
        text = f"Cleaned in time: {why}, at most {lasted} passed without a pulse."
        yield Answer.clear(context.subject(), text, values)
    elif _drops(context, begin, end) >= _MIN_DROPS:
        text = f"{why}, no pulse is recorded for {lasted}, but header pressure drops as at pulses"
        yield Answer.cannot_tell(context.subject(), text, Lack.ROW_SIGNAL)
    else:
        yield context.found(
            context.subject(),
            Urgency.NOW,
            f"{why[0].upper()}{why[1:]}, nothing was pulsed for {lasted}.",
            _ACTION,
            values,
            start=context.at(60.0 * begin),
            end=context.at(60.0 * end),
        )


def _unknown(context: Context) -> tuple[str, Lack] | None:
    """Say why it cannot be judged, None where it can."""
    day, cleaning = context.day, context.day.baghouse.cleaning
    running = minutes_in(day, State.RUNNING)
    if not day.fires_known or day.inferred:
        return "pulses are not completely recorded, so none may be missing", Lack.ROW_SIGNAL
    if not running.any():
        return "the unit did not run on this day", Lack.NOTHING
    if cleaning.mode == "on_demand":
        known = float(np.isfinite(minute_dp(day)[running]).mean())
        if known < context.limits["covered"]:
            return f"DP is known for only {percent(known)} of the time running", Lack.COVERAGE
        return None
    return _off_clock(context)


def _off_clock(context: Context) -> tuple[str, Lack] | None:
    """Say why cleaning by the clock may stand still, None where it should not."""
    day = context.day
    if np.isfinite(goes_by_dp(day)):
        return "cleaning goes by DP, not by the clock as the site file has it", Lack.NOTHING
    first = day.day - timedelta(days=context.limits["new_bags_days"])
    for entry in context.work.of(Work.BAGS_CHANGED, Work.PRE_COATED):
        if entry.touches(context.subject()) and entry.day >= first:
            why = f"bags were new or pre-coated on {entry.date}, so cleaning may be held off"
            return why, Lack.NOTHING
    return None


def _called_for(context: Context) -> tuple[Mask, float, str]:
    """Return the minutes that call for cleaning, how many are too many, and why in words."""
    day, limits = context.day, context.limits
    running, wanted_min = minutes_in(day, State.RUNNING), limits["time"] / 60
    if day.baghouse.cleaning.mode == "on_demand":
        level_pa = _start_level(context)
        is_above = minute_dp(day) > level_pa * (1 + limits["above"])
        return running & is_above, wanted_min, f"with DP above {day.units.dp.show(level_pa)}"
    pass_s = _pass_s(context)
    wanted_min = max(wanted_min, limits["passes"] * pass_s / 60)
    return running, wanted_min, f"while running (a pass of all rows takes {show(pass_s, 's', 0)})"


def _start_level(context: Context) -> float:
    """Return the DP at which cleaning starts: stated, as found before or found today [Pa]."""
    found = context.history.usual(Fact.START_DP_PA, 0, 0, quantile=0.5, min_days=_MIN_DAYS)
    today = context.facts.of(Fact.START_DP_PA)
    return float(np.nanmax([context.day.baghouse.cleaning.start_dp, found, today]))


def _pass_s(context: Context) -> float:
    """Return how long a pass takes: as stated, or from pulse to pulse of a row, if longer [s]."""
    house = context.day.baghouse
    stated = len(house.all_rows()) * house.cleaning.interval
    named = context.day.pulses.drop_nulls("row").partition_by("compartment", "row")
    own = [float(np.median(np.diff(one["time_s"].to_numpy()))) for one in named if one.height > 1]
    return max(stated, float(np.median(own)) if own else 0.0)


def _drops(context: Context, begin: int, end: int) -> int:
    """Return how often header pressure falls as at a pulse in a span of minutes."""
    usual = [one for (fact, *_), one in context.facts.items() if fact is Fact.REFILL_DROP_PA]
    falls = 0
    for (role, *_), signal in context.day.signals.items():
        if role is Role.HEADER_PRESSURE and usual:
            is_in = (signal.time_s >= 60 * begin) & (signal.time_s < 60 * end)
            deep = np.diff(signal.value[is_in]) < -context.limits["drop_share"] * min(usual)
            falls = max(falls, len(list(runs(deep))))
    return falls


_ACTION = work(
    outside="Look at the controller now: is it on and in automatic, does it show the DP of the "
    "control room, is it held by an interlock (air pressure, fan)? Else start cleaning by hand and "
    "watch DP."
)

RULE = Rule(
    name="under_cleaning",
    title="Not cleaned though it is due",
    chapter=Chapter.CLEANING,
    looks_for="Time running without a pulse at a DP above the start set point, or for several "
    "passes of the clock.",
    needs=(
        Need(any_of=(Role.DP,), purpose="to see when cleaning is due", only_first=True),
        Need(any_of=ROWS_NAMED, purpose="to see that no row is pulsed"),
    ),
    thresholds=(
        limit(
            "time",
            "10 min",
            "time without a pulse",
            chosen="controllers start within seconds; a shorter time may be a switch to manual",
            dimension=Dimension.TIME,
        ),
        limit(
            "passes",
            "3",
            "passes by the clock without a pulse",
            chosen="one may be skipped by a restart of the controller, three are not",
        ),
        limit(
            "above",
            "2 %",
            "of the start set point by which DP must be above it",
            chosen="two transmitters of one DP differ by as much",
        ),
        limit(
            "covered",
            "90 %",
            "share of the time running with DP known",
            chosen="as for other days that are called clear",
        ),
        limit(
            "new_bags_days",
            "2",
            "days for which new or pre-coated bags may keep cleaning by the clock off",
            chosen="a first cake takes hours, on light dust a day or two",
        ),
        limit(
            "drop_share",
            "0.5",
            "of a usual drop by which header pressure falls from point to point as at a pulse",
            chosen="samples of 1 s see most of a drop at once, users of the air little",
        ),
    ),
    check_first=(
        "controller: power, automatic or manual, its DP reading, interlocks",
        "whether bits still reach the historian",
    ),
    confused_with="a start set point that was raised; bits no longer recorded; cleaning held off "
    "for a first cake",
    cautions=(Caution.LOCKOUT,),
    judge=judge,
    uses=(Role.GAS_FLOW,),
    excused_off=True,
)
