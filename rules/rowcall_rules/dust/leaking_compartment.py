"""A compartment leaks: dust after the filter falls whenever it is off line.

Why: gas that passes a hole stops with the compartment's gas, so the monitor shows less as long as
its dampers are shut, while other compartments make no difference or, by their share of the flow,
a little more. Rule out: a load that changes with the damper, and cleaning that is done off line.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date

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

_Seen = tuple[float, int]  # logarithm of dust off line over on line, and changes it is the mean of


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every compartment by its changes of today and of the days before."""
    n_compartments = context.day.baghouse.compartments
    seen = {c: _seen(context, c) for c in range(1, n_compartments + 1)}
    known = {c: one for c, one in seen.items() if one[1] >= context.limits["changes"]}
    for compartment in seen:
        subject, others = context.subject(compartment), [c for c in known if c != compartment]
        if compartment not in known or not others:
            why = "too few changes off line and on line with gas, of it or of another compartment"
            yield Answer.cannot_tell(subject, why, Lack.NOTHING)
            continue
        ratio = math.exp(known[compartment][0])
        lowest = min(math.exp(known[c][0]) for c in others)
        text = (
            f"with it off line dust is {percent(ratio)} of that with it on line, by "
            f"{known[compartment][1]} changes; of other compartments {percent(lowest)} or more"
        )
        values = (Quantity("off_line_ratio", ratio, "1"), Quantity("others", lowest, "1"))
        is_less = ratio <= context.limits["ratio"] and ratio <= context.limits["lower"] * lowest
        if is_less:
            lead = f"Leaks: {text}."
            yield context.found(subject, Urgency.NEXT_OUTAGE, lead, _ACTION, values)
        else:
            yield Answer.clear(subject, f"{text[0].upper()}{text[1:]}.", values)


def _seen(context: Context, compartment: int) -> _Seen:
    """Return the mean over all known changes, by the days of which both facts are known."""
    ratios = _all_days(context, Fact.OFF_LINE_DUST, compartment)
    counts = _all_days(context, Fact.N_OFF_LINE, compartment)
    both = sorted(ratios.keys() & counts.keys())
    n = sum(counts[day] for day in both)
    return sum(ratios[day] * counts[day] for day in both) / max(n, 1), round(n)


def _all_days(context: Context, fact: Fact, compartment: int) -> dict[date, float]:
    days, past = context.history.of(fact, compartment)
    last, n_days = context.day.day, int(context.limits["days"])
    known = {
        day: float(value)
        for day, value in zip(days, past, strict=True)
        if (last - day).days < n_days
    }
    today = context.facts.of(fact, compartment)
    return known if math.isnan(today) else {**known, last: today}


_ACTION = work(
    outside="Compare its DP and flow with the others'; take it off line once more and watch the "
    "monitor.",
    isolated="this compartment's tube sheet, seats and bags from the clean-air plenum; dye test.",
)

RULE = Rule(
    name="leaking_compartment",
    title="Compartment leaks dust",
    chapter=Chapter.DUST,
    looks_for="A compartment with which off line there is less dust after the filter.",
    needs=(
        Need(
            any_of=(Role.DUST_SIGNAL, Role.OPACITY),
            purpose="to see dust with a compartment off line",
            max_step_s=60.0,  # chosen: ten points on either side of a change
        ),
        Need(any_of=(Role.COMPARTMENT_ON_LINE,), purpose="to see when a compartment is off line"),
    ),
    thresholds=(
        limit(
            "changes",
            "4",
            "changes that are known of a compartment",
            chosen="twice off line and back; by chance all four fall hardly ever",
        ),
        limit(
            "ratio",
            "80 %",
            "of dust with it off line to that with it on line",
            chosen="load and humidity move dust by less while a damper moves",
        ),
        limit(
            "lower",
            "85 %",
            "and of the lowest of the other compartments",
            chosen="what all compartments share is no leak of one",
        ),
        limit(
            "days",
            "30",
            "days whose changes count, today included",
            chosen="a leak lasts, and compartments are off line seldom",
        ),
    ),
    check_first=(
        "the monitor while it is taken off line once more",
        "isolated: its tube sheet, seats and bags; dye test",
    ),
    confused_with="a load that changes with the damper; cleaning done off line",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    judge=judge,
)
