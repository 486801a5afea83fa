"""Inlet gas hotter than the filter medium stands.

Why: each fibre has a continuous limit, above which its life shortens with time and temperature, and
a surge limit, above which minutes do lasting harm. Damage adds up, so minutes and degree-minutes
above the limit are counted, not only the peak. Looks like, but is not: a failed thermocouple, whose
jumps to the range end are gated out before this rule sees them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Limits,
    Need,
    Quantity,
    Rule,
    Signal,
    Subject,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.site import Role
from rowcall.units import Dimension, show


@dataclass(frozen=True, slots=True)
class Excess:
    """Time spent above a limit: seconds, degree-minutes [K.min], first and last second."""

    seconds: float
    degree_minutes: float
    first_s: float
    last_s: float


def excess(signal: Signal, limit_c: float, day_s: float) -> Excess:
    """Return the time that a temperature signal (Cel) spent above a limit within the day.

    Every sample holds until the next one, across no gap; one from before the day counts from its
    start on.
    """
    ends_s = np.minimum(np.append(signal.time_s[1:], day_s), signal.time_s + signal.longest_hold_s)
    time_s = np.maximum(signal.time_s, 0.0)
    hold = np.clip(ends_s - time_s, 0.0, None)
    above = signal.value > limit_c
    if not above.any():
        return Excess(0.0, 0.0, 0.0, 0.0)
    over = time_s[above]
    dose = float(((signal.value[above] - limit_c) * hold[above]).sum()) / 60.0
    return Excess(float(hold[above].sum()), dose, float(over[0]), float(over[-1] + hold[above][-1]))


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse; reads the inlet temperature signal and the media limits."""
    day, limits = context.day, context.limits
    subject = Subject(day.baghouse.id)
    pair = day.baghouse.temperature_limits()
    if pair is None:
        yield Answer.cannot_tell(subject, "the site file names no media and no temperature limits")
        return
    place = min(place for place in day.signals if place[0] is Role.INLET_TEMPERATURE)
    signal = day.signals[place]
    covered = next(
        report.coverage_frac
        for report in day.health
        if (report.role, report.compartment, report.row) == place
    )
    yield _answer(day, subject, signal, pair, covered, limits)


def _answer(
    day: BaghouseDay,
    subject: Subject,
    signal: Signal,
    pair: tuple[float, float],
    covered: float,
    limits: Limits,
) -> Answer:
    continuous, surge = (excess(signal, limit, day.seconds) for limit in pair)
    peak = float(signal.value.max())
    values = (
        Quantity("max_c", peak, "Cel"),
        Quantity("above_continuous", continuous.seconds, "s"),
        Quantity("dose_above_continuous", continuous.degree_minutes, "K.min"),
        Quantity("above_surge", surge.seconds, "s"),
        Quantity("dose_above_surge", surge.degree_minutes, "K.min"),
        Quantity("continuous_limit", pair[0], "Cel"),
        Quantity("surge_limit", pair[1], "Cel"),
    )
    numbers = (
        f"peak {show(peak, 'Cel', 0)}; {show(continuous.seconds, 'min', 1)} above the continuous "
        f"limit of {show(pair[0], 'Cel', 0)} ({continuous.degree_minutes:.0f} degree-minutes), "
        f"{show(surge.seconds, 'min', 1)} above the surge limit of {show(pair[1], 'Cel', 0)}"
    )
    is_surge = surge.seconds >= limits["surge_time"]
    if not is_surge and continuous.seconds < limits["continuous_time"]:
        if covered < limits["covered"]:
            return Answer.cannot_tell(
                subject, f"only {covered:.0%} of the day is covered; so far {numbers}"
            )
        return Answer.clear(subject, f"In bounds: {numbers}.", values)
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NOW if is_surge else Urgency.NEXT_OUTAGE,
        start=day.start + timedelta(seconds=continuous.first_s),
        end=day.start + timedelta(seconds=continuous.last_s),
        values=values,
        text=f"Too hot for the media: {numbers}.",
        action="Find the cause upstream (process upset, cooler, dilution air, sparks) and watch "
        "opacity today; at the next outage take a bag from the hottest side for a laboratory test.",
    )


RULE = Rule(
    name="temperature_excursion",
    title="Inlet temperature above the media's limit",
    chapter=Chapter.TEMPERATURE,
    looks_for="Time and degree-minutes above the continuous and the surge limit of the media.",
    needs=(Need(any_of=(Role.INLET_TEMPERATURE,), purpose="to compare with the media's limits"),),
    thresholds=(
        Threshold(
            "continuous_time",
            "1 min",
            Dimension.TIME,
            "time above the continuous limit that counts",
            "chosen",
        ),
        Threshold(
            "surge_time", "5 s", Dimension.TIME, "time above the surge limit that counts", "chosen"
        ),
        Threshold(
            "covered",
            "0.9",
            Dimension.RATIO,
            "share of the day that must be covered to call it clear",
            "chosen",
        ),
    ),
    check_first=(
        "process upset, cooler or dilution-air failure, sparks or after-burning",
        "the thermocouple against a second reading",
        "opacity since then",
    ),
    confused_with="a failed thermocouple",
    cautions=(Caution.LOCKOUT, Caution.CONFINED_SPACE, Caution.HOT, Caution.COMBUSTIBLE_DUST),
    references=("media limits: APTI SI:412A, Lesson 4, Table 4-1, or the site file",),
    judge=judge,
)
