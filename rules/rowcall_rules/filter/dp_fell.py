"""Drag falls at once: gas finds a way past the cloth.

Why: a bag that drops or tears, a door or a damper left open is a way of little drag beside the
cloth, so DP at the same flow falls within seconds, and dust rises behind the filter. Cake grows and
goes over minutes, and a pulse takes off one row's; nothing sound falls within a minute. By the
clock the lower drag also shows from day to day; on demand set points hold DP, and only the fall
itself shows. Rule out: a compartment that was off and is back (more cloth), a flow meter that
jumped, DP transmitter or taps worked on, rows or air mended, new bags, other set points.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from statistics import median

from rowcall.diagnosis.dp_changes import newest_change
from rowcall.diagnosis.dp_series import by_day, cloth_dp, dp_series
from rowcall.diagnosis.rise import Step, recent_step
from rowcall.events.operation.dust_change import MIN_RATIO, DustChange, dust_change
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
    Work,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, percent

_SAME = 0.5  # chosen: a later rise of half the fall undoes it
_MENDED = ("row_silent", "row_weak", "row_not_pulsed", "header_leak", "pulse_pressure")
_MENDED_D = 7  # chosen: a mended row is clean again within hours, its last finding lies that near
_TOUCHES_DRAG = (
    Work.BAGS_CHANGED,
    Work.PRE_COATED,
    Work.SET_POINT_CHANGED,
    Work.CONTROLLER_MENDED,
    Work.INSTRUMENT_MENDED,
    Work.INSPECTED,
)


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by the falls of these days, and by drag from day to day."""
    yield _judged(context)


def _judged(context: Context) -> Answer:
    fell = _newest_fall(context)
    if fell is not None:
        return _found_within_day(context, *fell)
    step = _day_step(context)
    if step is not None:
        return _found_by_days(context, step)
    seen = context.facts.of(Fact.DRAG_STEP_MIN)
    if not seen * 60 >= context.limits["seen"]:
        why = (
            "a sudden fall would have shown in too few minutes: not running, pulsing in bouts, "
            "DP or gas flow not known"
        )
        return Answer.cannot_tell(context.subject(), why, Lack.NOTHING)
    return Answer.clear(
        context.subject(),
        f"Drag did not fall at once; looked at {seen:,.0f} minutes.",
        (Quantity("seen", 60 * seen, "s"),),
    )


def _newest_fall(context: Context) -> tuple[date, float] | None:
    """Return day and second of the newest sudden fall that counts, None where none still does."""
    falls, at, rises, rose = (
        by_day(context, fact)
        for fact in (Fact.DRAG_FALL, Fact.DRAG_FELL_S, Fact.DRAG_RISE, Fact.DRAG_ROSE_S)
    )
    undone = [(day, rose[day], rises[day]) for day in rises if day in rose]
    for day in sorted(falls, reverse=True):
        age_s = (context.day.day - day).days * 86_400
        if age_s > context.limits["recall"] or day not in at:
            break
        back = any(
            (other, second) > (day, at[day]) and rise >= _SAME * falls[day]
            for other, second, rise in undone
        )
        if falls[day] >= context.limits["fall"] and not back and not _worked_on(context, day):
            return day, at[day]
    return None


def _worked_on(context: Context, day: date) -> bool:
    entries = context.work.of(*_TOUCHES_DRAG)
    return any(one.day == day and one.touches(context.subject()) for one in entries)


def _day_step(context: Context) -> Step | None:
    """Return the newest fall from day to day by the clock, None where something explains it."""
    series = cloth_dp(context) if context.day.baghouse.cleaning.mode == "on_time" else None
    if series is None:
        return None
    dp = dp_series(context)
    _, change = ("", None) if dp is None else newest_change(context, dp, None)
    if change is not None:
        series = series.since((change - context.day.day).days)
    drag = series.corrected(None)
    if not (drag > 0).all():  # no gas, or a DP that reads below 0
        return None
    rise = 1 / (1 - context.limits["day_fall"]) - 1  # of one over drag
    limits = {"rise": rise, "step_days": context.limits["recall"] / 86_400}
    step = recent_step(series, 1 / drag, limits)
    if step is None or _worked_on(context, step.day) or _mended_before(context, step.day):
        return None
    return step


def _mended_before(context: Context, day: date) -> bool:
    """Whether rows or air were found weak shortly before: drag falls as they are mended."""
    past = context.history.verdicts
    return any(
        rule in _MENDED and verdict == Verdict.FOUND and timedelta() <= day - other <= _NEAR
        for other, rule, verdict in past.select("day", "rule", "verdict").iter_rows()
    )


_NEAR = timedelta(days=_MENDED_D)


def _found_within_day(context: Context, day: date, second: float) -> Answer:
    fall, error = (by_day(context, f)[day] for f in (Fact.DRAG_FALL, Fact.DRAG_FALL_ERROR))
    low, high = max(0.0, fall - 1.96 * error), fall + 1.96 * error
    is_today = day == context.day.day
    start = _at(context, day, second)
    dust = (
        dust_change(context.day.signals, context.day.seconds, second) if is_today else DustChange()
    )
    when = f"{start.astimezone(context.day.zone):%H:%M}"
    when = f"at {when}" if is_today else f"on {day.isoformat()} at {when}, and did not rise again"
    text = (
        f"Drag fell by {percent(fall)} within a minute {when} (95 % interval {percent(low)} to "
        f"{percent(high)}), which no pulse, load or temperature explains; "
        f"{_dust_words(dust)}."
    )
    values = (
        Quantity("fall", fall, "1"),
        Quantity("fall_low", low, "1"),
        Quantity("fall_high", high, "1"),
    )
    return context.found(
        context.subject(), _urgency(context, fall, dust), text, _ACTION, values, start=start
    )


def _at(context: Context, day: date, second: float) -> datetime:
    midnight = datetime.combine(day, time(), context.day.zone).astimezone(context.day.start.tzinfo)
    return midnight + timedelta(seconds=second)


def _dust_since(context: Context, day: date) -> DustChange:
    """Return how the level of dust between pulses changed with a day, by the days beside it."""
    levels = (by_day(context, fact) for fact in (Fact.DUST_BASE, Fact.OPACITY_BASE))
    level = next((one for one in levels if one), {})
    before = [value for other, value in level.items() if timedelta() < day - other <= _NEAR]
    after = [value for other, value in level.items() if day < other or other == context.day.day]
    if not before or not after or not median(before) > 0:
        return DustChange()
    ratio = median(after) / median(before)
    return DustChange(ratio, is_rise=ratio >= MIN_RATIO)


def _dust_words(dust: DustChange) -> str:
    if math.isnan(dust.ratio):
        return "dust after the filter is not recorded"
    if dust.is_rise:
        return f"dust after the filter rose to {dust.ratio:.1f} times with it"
    return "dust after the filter did not rise: a transmitter, its taps or more cloth are likelier"


def _urgency(context: Context, fall: float, dust: DustChange) -> Urgency:
    if dust.is_rise or (math.isnan(dust.ratio) and fall >= context.limits["large"]):
        return Urgency.NOW
    return Urgency.NEXT_OUTAGE if math.isnan(dust.ratio) else Urgency.WATCH


def _found_by_days(context: Context, step: Step) -> Answer:
    fall = 1 - step.before / step.after  # of one over drag
    dust = _dust_since(context, step.day)
    text = (
        f"Drag just after cleaning is {percent(fall)} lower since {step.day.isoformat()}, at the "
        "same flow, viscosity and cake; when on that day it fell is not known; "
        f"{_dust_words(dust)}."
    )
    start = context.day.start - timedelta(days=(context.day.day - step.day).days)
    urgency = _urgency(context, fall, dust)
    return context.found(
        context.subject(), urgency, text, _ACTION, (Quantity("fall", fall, "1"),), start=start
    )


_ACTION = work(
    outside="Look at dust and stack now and compare with the hours before; see whether bypass "
    "damper, doors and compartment dampers are shut, by their position switches; compare DP with "
    "a second gauge.",
    isolated="leak test with dye, and the seats of all bags.",
)

RULE = Rule(
    name="dp_fell",
    title="Drag fell at once",
    chapter=Chapter.DP,
    looks_for="A fall of DP, corrected for flow, viscosity and pulses, within a minute of the day; "
    "by the clock also from day to day.",
    needs=(
        Need(
            any_of=(Role.DP,),
            purpose="to see DP minute by minute",
            max_step_s=60.0,  # chosen: coarser points do not show a fall within a minute
        ),
        Need(any_of=(Role.GAS_FLOW,), purpose="to see drag apart from flow"),
    ),
    thresholds=(
        limit(
            "fall",
            "8 %",
            "relative fall of drag within a minute",
            chosen="one bag of a hundred open at both ends lets more gas pass; less is a damper "
            "that moved",
        ),
        limit(
            "large",
            "20 %",
            "relative fall that wants action now where dust is not recorded",
            chosen="a fifth of the gas passes the cloth",
        ),
        limit(
            "day_fall",
            "20 %",
            "relative fall of drag from day to day",
            chosen="products and seasons move drag by up to a tenth",
        ),
        limit(
            "recall",
            "7 d",
            "for so long a fall is reported that was not undone",
            chosen="set points hide it later; by then it was acted on",
            dimension=Dimension.TIME,
        ),
        limit(
            "seen",
            "4 h",
            "time in which a fall would show, to call it clear",
            chosen="less is a start and a stop",
            dimension=Dimension.TIME,
        ),
    ),
    check_first=(
        "dust after the filter, against the hours before",
        "bypass damper, doors and compartment dampers, by their position switches",
        "DP against a second gauge",
        "isolated: leak test with dye, and the seats of all bags",
    ),
    confused_with="a compartment back on line, a flow meter that jumped, a transmitter or taps "
    "worked on, rows mended, new bags",
    cautions=(
        Caution.LOCKOUT,
        Caution.STORED_AIR,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=("drag of cloth and cake: form of EPA/452/B-02-001, Section 6 Chapter 1",),
    judge=judge,
)
