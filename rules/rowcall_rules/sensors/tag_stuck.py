"""A tag that repeats one value while it should be alive.

Why: a transmitter that has failed, lost its signal or been left in simulation, and a collector that
lost it, give the last value over and over. Turbulence, cake and load move each digit of a live one.
Rule out: a stopped unit; a coarse transmitter, whose noise lies within one digit, and a historian
that leaves out what stays within a dead-band. Of these only what the tag is tied to shows more: the
other temperature, the fan for flow, the flow for DP, recorded pulses for a header.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall.diagnosis.sensors.sensor_tags import name_of, places_of, sound_values, usual
from rowcall.events.sensors.facts_by_role import TAG_FACTS
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
from rowcall.site import Role, Sample
from rowcall.units import Dimension, show

_NAME = "tag_stuck"
_WEEK = 7  # [d] chosen: its quiet day is among them


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse and each compartment that has tags of its own."""
    places = places_of(context.day, TAG_FACTS)
    if not places:
        yield Answer.cannot_tell(
            context.subject(), "the site file names no tag that is never still", Lack.TAG, "DP"
        )
    for compartment, roles in places.items():
        yield _judged(context, compartment, roles)


def _judged(context: Context, compartment: int, roles: tuple[Role, ...]) -> Answer:
    subject, facts = context.subject(compartment), context.facts
    known = [role for role in roles if not math.isnan(facts.of(TAG_FACTS[role].flat, compartment))]
    flats = {role: facts.of(TAG_FACTS[role].flat, compartment) for role in known}
    values = [Quantity(f"{role.value}_flat", flat, "s") for role, flat in flats.items()]
    if not known:
        why = "nothing shows when its tags should have moved"
        return Answer.cannot_tell(subject, why, Lack.NOTHING)
    stuck = tuple(role for role in known if _is_stuck(context, role, compartment))
    if not stuck:
        return Answer.clear(
            subject, "No tag repeats a value for long while it should move.", values
        )
    said = (
        f"{name_of(context.day, role, compartment)} repeated one value for "
        f"{show(flats[role], 'h', 1)} {_WHILE.get(role, _RUNNING)}"
        for role in stuck
    )
    text = f"{'; '.join(said)}."
    return context.found(
        subject,
        Urgency.NOW,
        text[0].upper() + text[1:],
        _ACTION,
        values,
        condemns=stuck,
    )


def _is_stuck(context: Context, role: Role, compartment: int) -> bool:
    """Return whether no live transmitter of this noise and resolution holds a value so long."""
    about, limits, facts = TAG_FACTS[role], context.limits, context.facts
    flat, tied = (facts.of(fact, compartment) for fact in (about.flat, about.tied))
    flat_before, tied_before, steps = (
        usual(context, fact, compartment, (_NAME,))
        for fact in (about.flat, about.tied, about.steps)
    )
    if tied >= limits["flat"] and not tied <= limits["longer"] * tied_before:
        return True
    if math.isnan(steps):
        steps = facts.of(about.steps, compartment)
    if math.isnan(steps):  # a coarse thermometer stands for a day
        is_lively = role not in _TEMPERATURES and _is_even(context, role, compartment)
        ever = sound_values(context, about.flat, compartment, (_NAME,))
        is_new = ever.size >= _WEEK and flat > limits["ever"] * float(ever.max())
        return flat >= limits["alone"] and (is_lively or is_new)
    is_longer = not flat <= limits["longer"] * flat_before
    return steps >= limits["steps"] and flat >= limits["flat"] and is_longer


def _is_even(context: Context, role: Role, compartment: int) -> bool:
    return any(
        tag.sample is Sample.AT_INTERVALS
        for tag in context.day.baghouse.tag
        if (tag.role, tag.compartment or 0) == (role, compartment)
    )


_TEMPERATURES = (Role.INLET_TEMPERATURE, Role.OUTLET_TEMPERATURE)
_RUNNING = "while the unit ran"
_WHILE = {
    Role.GAS_FLOW: "while gas flowed",
    Role.HEADER_PRESSURE: "while rows were pulsed: stuck, shut off from its header, or no valve "
    "opened",
}
_ACTION = work(
    outside="Compare the value on the display of the transmitter with the one in the control "
    "system, and with a second instrument; see whether its channel is forced, in simulation or "
    "held by the collector of the historian. Until then the check-up trusts nothing that rests on "
    "it.",
    isolated="wiring, terminals and the transmitter itself, by electricians.",
)

RULE = Rule(
    name=_NAME,
    title="Tag stuck at a value",
    chapter=Chapter.SENSORS,
    looks_for="A tag that repeats one value for long while it, or what it is tied to, should move.",
    needs=(),
    thresholds=(
        limit(
            "flat",
            "60 min",
            "run of one value that matters",
            chosen="as long as what is left out of every other judgement",
            dimension=Dimension.TIME,
        ),
        limit(
            "longer",
            "3",
            "and times the longest run of a usual day",
            chosen="quiet nights differ by less",
        ),
        limit(
            "steps",
            "0.5",
            "noise over resolution at which a live tag cannot repeat a value for long",
            chosen="two samples in three then differ from each other",
        ),
        limit(
            "ever",
            "4",
            "times the longest run of any day before, of a week at least, where the noise and "
            "resolution of a tag are not known",
            chosen="the quietest day of a year is hardly so much quieter than that of a week",
        ),
        limit(
            "alone",
            "6 h",
            "run that is enough then, of DP, flow or header sampled at intervals by itself",
            chosen="a shift of steady running is no longer, and its load moves",
            dimension=Dimension.TIME,
        ),
        limit("history_days", "3", "days that make a usual one", chosen="as few as scatter shows"),
    ),
    check_first=(
        "the value on the display of the transmitter and in the control system",
        "whether the channel is forced, in simulation, or held by the historian's collector",
        "isolated: wiring, terminals, transmitter",
    ),
    confused_with="a stopped unit, a coarse transmitter, recording with a dead-band",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HOT),
    judge=judge,
    excused_off=True,
)
