"""Inlet gas hotter than the filter medium stands.

Why: each fibre has a continuous limit, above which its life shortens with time and temperature, and
a surge limit, above which minutes do lasting harm. Damage adds up, so minutes and degree-minutes
above the limit are counted, not only the peak, and summed over the days since the bags were
changed. Sparks show as spikes of seconds, from which a thermocouple falls back no faster than its
time constant lets it. Looks like, but is not: a failed thermocouple, whose jumps to the range end
are gated out before this rule sees them; a spike that falls back faster than any thermocouple, or
that another one in the same gas does not follow, is only to be watched.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from rowcall.events.operation.gas_seconds import Mask
from rowcall.events.operation.heat import Excess, excess, sensor_spikes
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
    Signal,
    Subject,
    TagHealth,
    Urgency,
    limit,
    since_words,
    work,
)
from rowcall.site import ROLES, Role
from rowcall.units import Dimension, Units, percent, show


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
    spikes = _sensor_spikes(context, tag, signal, limits_c[0])
    raw = signal
    if spikes.any():
        signal = replace(raw, time_s=raw.time_s[~spikes], value=raw.value[~spikes])
    continuous, surge = (excess(signal, one, context.day.seconds) for one in limits_c)
    numbers = _numbers(context.units, signal, continuous, surge, limits_c)
    values = _values(signal, continuous, surge, limits_c)
    urgency = _urgency(context, continuous, surge)
    if urgency is not None:
        return context.found(
            subject,
            urgency,
            f"Too hot for the media: {numbers}.{_exposure(context, tag)}",
            _ACTION,
            values,
            start=context.at(continuous.first_s),
            end=context.at(continuous.last_s),
        )
    with_spikes = [excess(raw, one, context.day.seconds) for one in limits_c]
    if _urgency(context, *with_spikes) is not None:
        return _sensor_fault(context, subject, raw, limits_c, numbers)
    if tag.coverage_frac < context.limits["covered"]:
        covered = percent(tag.coverage_frac)
        why = f"only {covered} of the day is covered; so far {numbers}"
        return Answer.cannot_tell(subject, why, Lack.COVERAGE, ROLES[tag.role].name)
    return Answer.clear(subject, f"In bounds: {numbers}.", values)


def _urgency(context: Context, continuous: Excess, surge: Excess) -> Urgency | None:
    """Return how urgent it is, None where it lasted too short to count."""
    if surge.seconds >= context.limits["surge_time"]:
        return Urgency.NOW
    is_long = continuous.seconds >= context.limits["continuous_time"]
    return Urgency.NEXT_OUTAGE if is_long else None


def _exposure(context: Context, tag: TagHealth) -> str:
    """Say how much heat the bags have had, on all known days since they were changed."""
    days, past = context.history.of(Fact.HEAT_DOSE, tag.compartment)
    if not days:
        return ""
    dose = float(past.sum()) + context.facts.of(Fact.HEAT_DOSE, tag.compartment)
    since = since_words(context.history, Fact.HEAT_DOSE, context.subject(tag.compartment))
    return (
        f" With the {len(days)} days before that are known{since}: "
        f"{context.units.heat_dose.show(dose)} above the continuous limit."
        f"{_age(context, tag.compartment)}"
    )


def _age(context: Context, compartment: int) -> str:
    """Say to how many hours at the limit that comes, where the site file says how to weigh them."""
    energy, today = (
        context.day.baghouse.activation_energy,
        context.facts.of(Fact.HEAT_AGE_H, compartment),
    )
    if energy is None:
        return ""
    hours = today + float(context.history.of(Fact.HEAT_AGE_H, compartment)[1].sum())
    aged = show(3600 * hours, "h", 0)
    return (
        f" All gas of these days ages the bags as {aged} at that limit would, if the activation "
        f"energy is {energy:.0f} kJ/mol (an assumption of the site file)."
    )


def _sensor_spikes(context: Context, tag: TagHealth, signal: Signal, limit_c: float) -> Mask:
    limits, place = context.limits, (tag.role, tag.compartment, tag.row)
    others = sorted(one for one in context.day.signals if one[0] is tag.role and one != place)
    return sensor_spikes(
        signal,
        limit_c,
        max_s=limits["spike_time"],
        min_k=limits["spike_height"],
        tau_s=limits["thermocouple"],
        other=context.day.signals[others[0]] if others else None,
    )


def _sensor_fault(
    context: Context, subject: Subject, raw: Signal, limits_c: tuple[float, float], numbers: str
) -> Answer:
    """Answer for a day whose only excursions are spikes that no gas can have made."""
    continuous, surge = (excess(raw, one, context.day.seconds) for one in limits_c)
    peak = context.units.temperature.show(float(raw.value.max()))
    text = (
        f"Spikes up to {peak}, {show(continuous.seconds, 's', 0)} in all, that fall back faster "
        "than a thermocouple can, or that another one in the gas does not show; without them "
        f"{numbers}."
    )
    return context.found(
        subject,
        Urgency.WATCH,
        text,
        _CHECK_SENSOR,
        _values(raw, continuous, surge, limits_c),
        start=context.at(continuous.first_s),
        end=context.at(continuous.last_s),
    )


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

_CHECK_SENSOR = work(
    outside="Compare the thermocouple with a second reading, and look for a loose contact at its "
    "transmitter and plug."
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
            "spike_time",
            "60 s",
            "length of a spike that may be a fault of the sensor",
            chosen="a longer one is not judged by how it ends",
            dimension=Dimension.TIME,
        ),
        limit(
            "spike_height",
            "20 K{difference}",
            "height of such a spike",
            chosen="less is gas about the limit",
            dimension=Dimension.WARMING,
        ),
        limit(
            "thermocouple",
            "2 s",
            "time constant of the fastest thermocouple in use",
            chosen="a bare one of 1 mm takes seconds in gas, one in a well ten times as long",
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
