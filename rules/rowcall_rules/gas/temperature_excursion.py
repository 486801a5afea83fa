"""Inlet gas hotter than the filter medium stands.

Why: each fibre has a continuous limit, above which its life shortens with time and temperature, and
a surge limit, above which minutes do lasting harm. Damage adds up, so minutes and degree-minutes
above the limit are counted, not only the peak. Looks like, but is not: a failed thermocouple, whose
jumps to the range end are gated out before this rule sees them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Lack,
    Need,
    Quantity,
    Rule,
    Signal,
    TagHealth,
    Urgency,
    limit,
    work,
)
from rowcall.site import ROLES, Role
from rowcall.units import Dimension, Units, percent, show


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
    """Answer for each inlet temperature; its compartment is the subject, 0 one for all."""
    limits_c = context.day.baghouse.temperature_limits()
    if limits_c is None:
        why = "the site file names no media and no temperature limits"
        yield Answer.cannot_tell(context.subject(), why, Lack.MEDIA)
        return
    for tag in context.day.health:
        if tag.role is Role.INLET_TEMPERATURE:
            yield _judge_tag(context, tag, limits_c)


def _judge_tag(context: Context, tag: TagHealth, limits_c: tuple[float, float]) -> Answer:
    subject = context.subject(tag.compartment)
    signal = context.day.signals.get((tag.role, tag.compartment, tag.row))
    if signal is None:
        why = f"{tag.tag}: {tag.problem or 'no usable value'}"
        of = f"{tag.tag} ({ROLES[tag.role].name})"
        return Answer.cannot_tell(subject, why, Lack.USABLE_TAG, of)
    continuous, surge = (excess(signal, one, context.day.seconds) for one in limits_c)
    numbers = _numbers(context.units, signal, continuous, surge, limits_c)
    values = _values(signal, continuous, surge, limits_c)
    is_surge = surge.seconds >= context.limits["surge_time"]
    if is_surge or continuous.seconds >= context.limits["continuous_time"]:
        return context.found(
            subject,
            Urgency.NOW if is_surge else Urgency.NEXT_OUTAGE,
            f"Too hot for the media: {numbers}.",
            _ACTION,
            values,
            start=context.at(continuous.first_s),
            end=context.at(continuous.last_s),
        )
    if tag.coverage_frac < context.limits["covered"]:
        covered = percent(tag.coverage_frac)
        why = f"only {covered} of the day is covered; so far {numbers}"
        return Answer.cannot_tell(subject, why, Lack.COVERAGE, ROLES[tag.role].name)
    return Answer.clear(subject, f"In bounds: {numbers}.", values)


def _numbers(
    units: Units,
    signal: Signal,
    continuous: Excess,
    surge: Excess,
    limits_c: tuple[float, float],
) -> str:
    values = (float(signal.value.max()), *limits_c)
    rounded = [units.temperature.number(value) for value in values]
    finer = int(rounded[0] in rounded[1:])  # so that a peak just above a limit does not read as it
    peak, low, high = (units.temperature.show(value, finer) for value in values)
    dose = units.heat_dose.show(continuous.degree_minutes)
    return (
        f"peak {peak}; {show(continuous.seconds, 'min', 1)} above the continuous limit of {low} "
        f"({dose}), {show(surge.seconds, 'min', 1)} above the surge limit of {high}"
    )


def _values(
    signal: Signal, continuous: Excess, surge: Excess, limits_c: tuple[float, float]
) -> tuple[Quantity, ...]:
    return (
        Quantity("max_c", float(signal.value.max()), "Cel"),
        Quantity("above_continuous", continuous.seconds, "s"),
        Quantity("dose_above_continuous", continuous.degree_minutes, "K.min"),
        Quantity("above_surge", surge.seconds, "s"),
        Quantity("dose_above_surge", surge.degree_minutes, "K.min"),
        Quantity("continuous_limit", limits_c[0], "Cel"),
        Quantity("surge_limit", limits_c[1], "Cel"),
    )


_ACTION = work(
    outside="Find the cause upstream (process upset, cooler, dilution air, sparks) and watch "
    "opacity today.",
    isolated="a bag from the hottest side, for a laboratory test.",
)

RULE = Rule(
    name="temperature_excursion",
    title="Inlet temperature above the media's limit",
    chapter=Chapter.TEMPERATURE,
    looks_for="Time and degree-minutes above the continuous and the surge limit of the media.",
    needs=(
        Need(
            any_of=(Role.INLET_TEMPERATURE,),
            purpose="to compare with the media's limits",
            max_step_s=3600.0,  # chosen: an hour between points hides every excursion of minutes
        ),
    ),
    thresholds=(
        limit(
            "continuous_time",
            "1 min",
            "time above the continuous limit that counts",
            chosen="shorter is noise of a transmitter about the limit",
            dimension=Dimension.TIME,
        ),
        limit(
            "surge_time",
            "5 s",
            "time above the surge limit that counts",
            chosen="sparks and after-burning last seconds; one bad point is shorter",
            dimension=Dimension.TIME,
        ),
        limit(
            "covered",
            "90 %",
            "share of the day that must be covered to call it clear",
            chosen="two hours without values may hide an excursion",
        ),
    ),
    check_first=(
        "process upset, cooler or dilution-air failure, sparks or after-burning",
        "the thermocouple against a second reading",
        "opacity since then",
    ),
    confused_with="a failed thermocouple",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=("media limits: APTI SI:412A, Lesson 4, Table 4-1, or the site file",),
    judge=judge,
)
