"""Plant air is short: for some hours all headers stand lower, or refill more slowly, together.

Why: compressor, dryer or other users leave less pressure ahead of every header, so that every row
is cleaned more weakly in these hours. What one header does alone is not the supply's: its part is
separated hour by hour (`diagnosis.shared_change`). Rule out: a regulator that serves all headers
and was set lower (then it stays so), a supply that always wanders so much.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rowcall.diagnosis.header_hours import (
    SURE,
    Change,
    HeaderHours,
    Hours,
    middle,
    span_of,
    spell_hours,
    supply_words,
)
from rowcall.diagnosis.headers import needs_header
from rowcall.diagnosis.shared_change import Parts
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Lack,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.units import percent

_WANDERS = 3.0  # standard deviations of a sound supply; chosen: hardly ever beyond


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse: what all its headers do together."""
    headers, limits, subject = HeaderHours(context), context.limits, context.subject()
    low, slow = headers.lower(limits["history_days"]), headers.slower(limits["history_days"])
    if not np.isfinite(low.log).any():
        why = "no header shows the pressure that it refills to"
        yield Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
        return
    fall = max(-math.log1p(-limits["fall"]), _WANDERS * low.wander)
    longer = math.log(limits["slow_ratio"])
    lows = low.parts(fall)
    if len(headers.headers) == 1:
        hours = low.beyond(fall)[0]  # its slow refill is the rule's on slow headers
    else:
        hours = _all_sure(low, lows) | _all_sure(slow, slow.parts(longer))
    if hours.sum() >= limits["hours"]:
        yield _found(context, headers, low, slow, hours)
        return
    most = max(0.0, -math.expm1(-float(np.nanmax(lows.shared))))
    text = (
        "No hours in which all headers stand low or refill slowly together: "
        f"at most {percent(most)} down in an hour."
    )
    if not low.by_history.any():
        text += " Too few days are known to say whether the whole day was low."
    yield Answer.clear(subject, text, _levels(low, np.full(headers.n_hours, fill_value=True)))


def _all_sure(change: Change, parts: Parts) -> Hours:
    """Hours in which what all headers share is beyond its limit for sure."""
    several = np.isfinite(change.log).sum(axis=0) >= 2
    return np.asarray((parts.p_shared >= SURE) & several)


def _levels(low: Change, hours: Hours) -> Iterator[Quantity]:
    """Return the mean of what the headers tend to in some hours, and of what is usual of them."""
    levels = np.array([middle(one, hours) for one in low.value])
    known = np.isfinite(levels)
    if known.any():
        yield Quantity("plateau_pa", float(levels[known].mean()), "Pa")
        if low.by_history[known].all():
            yield Quantity("usual_plateau_pa", float(low.usual[known].mean()), "Pa")


def _found(
    context: Context, headers: HeaderHours, low: Change, slow: Change, hours: Hours
) -> Answer:
    gauge = context.units.gauge
    lines, values = [], [Quantity("hours", float(hours.sum()), "h"), *_levels(low, hours)]
    for n, header in enumerate(headers.headers):
        now, tau = (middle(one, hours) for one in (low.value[n], np.exp(slow.log[n])))
        if math.isnan(now):
            continue
        lines.append(
            f"{f'header {header}' if header else 'the header'} tends to {gauge.show(now)} "
            f"(usually {gauge.show(low.usual[n])}), refilled in {tau:.1f} times the usual"
        )
        values += [
            Quantity(f"plateau_pa_header_{header}", now, "Pa"),
            Quantity(f"plateau_ratio_header_{header}", now / low.usual[n], "1"),
            Quantity(f"tau_ratio_header_{header}", tau, "1"),
        ]
    start, end = span_of(context, hours)
    alone = len(headers.headers) == 1
    what = "The header's air is short" if alone else "All headers are short of air"
    whose = " Whether the plant's supply or its own feed, one header cannot show." if alone else ""
    return context.found(
        context.subject(),
        Urgency.NOW,
        f"{what} in the same hours ({spell_hours(context.day, hours)}): {'; '.join(lines)}."
        f"{whose}{supply_words(context.day, hours)}",
        _WORK,
        values,
        start=start,
        end=end,
    )


_WORK = work(
    outside="Plant air is short in these hours: compressor load, dryer, other users on the line, "
    "and the gauges before and after the filter ahead of the headers."
)

RULE = Rule(
    name="supply_short",
    title="Plant air short",
    chapter=Chapter.AIR,
    looks_for="Hours in which all headers stand lower, or refill more slowly, together.",
    needs=(needs_header("to see where the pressure stands"),),
    thresholds=(
        limit(
            "fall",
            "8 %",
            "of the usual pressure missing; more where the supply always wanders",
            chosen="a pulse so much weaker still cleans; sound supplies wander by 3 % and less",
        ),
        limit(
            "slow_ratio",
            "1.5",
            "time to recover as a multiple of the usual one",
            chosen="sound headers vary by less than a fifth from day to day",
        ),
        limit("hours", "2", "hours of the day that count", chosen="one may be a single event"),
        limit(
            "history_days",
            "3",
            "days that say what is usual",
            chosen="fewer may all be days of a short supply",
        ),
    ),
    check_first=(
        "compressor load, dryer, other users on the line",
        "gauges before and after the filter ahead of the headers",
    ),
    confused_with="a regulator of all headers set lower; an interval too short to recover",
    cautions=(Caution.STORED_AIR,),
    references=("common practice, no source",),
    judge=judge,
    excused_off=True,
)
