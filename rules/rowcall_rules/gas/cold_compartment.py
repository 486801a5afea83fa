"""One compartment's outlet is colder than those of the others, and than it usually is.

Why: compartments get the same gas, and lose heat alike; one whose outlet is colder at the same
hours gets less gas (damper half shut, cloth blinded, hopper full up to the inlet) or air that leaks
in (door, seam, hopper discharge). There walls and bags pass the dew points first. How much colder
an end compartment always is, is its own usual. Rule out: a compartment that was off line (its bit
excludes those hours) or off on purpose, and a thermocouple that drifts.
"""

from __future__ import annotations

from collections.abc import Iterator

from rowcall.diagnosis.rise import against_usual
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
from rowcall.units import Dimension

_ABOVE = Fact.OUTLET_TO_PEERS_K


def judge(context: Context) -> Iterator[Answer]:
    """Answer for each compartment whose outlet temperature is known beside another one's."""
    house, subject = context.day.baghouse, context.subject()
    every = range(1, house.compartments + 1)
    known = [c for c in every if (_ABOVE, c, 0) in context.facts]
    if off := [c for c in every if context.off(c)]:
        why = f"compartment {off[0]} was off on purpose in some of the day (work log)"
        yield Answer.cannot_tell(subject, why, Lack.NOTHING)
    elif not known:
        why = "outlet temperatures of two compartments on line at the same hours are not known"
        yield Answer.cannot_tell(subject, why, Lack.TAG, "outlet temperature of each compartment")
    else:
        yield from (_judged(context, c) for c in known)


def _judged(context: Context, compartment: int) -> Answer:
    subject, days = context.subject(compartment), context.limits["history_days"]
    now = context.facts.of(_ABOVE, compartment)
    error = context.facts.of(Fact.OUTLET_TO_PEERS_ERROR_K, compartment)
    beside = against_usual(context, _ABOVE, compartment, up=False, days=days)
    values = [Quantity("above_peers", now, "K"), Quantity("error", error, "K")]
    show = context.units.warming.show
    if beside is None:
        why = f"what is usual against the others is not known from {days:.0f} earlier days"
        return Answer.cannot_tell(subject, why, Lack.HISTORY, values=values)
    colder = beside.usual - now
    values.append(Quantity("colder_than_usual", colder, "K"))
    text = (
        f"outlet {_side(context, now)} the others' at the same hours, usually "
        f"{_side(context, beside.usual)} them"
    )
    if now > beside.usual or not beside.is_beyond(context.limits["colder"]):
        return Answer.clear(subject, f"As usual: {text}.", values)
    low, high = (show(max(0.0, colder + k * 1.96 * error), 1) for k in (-1, 1))
    return context.found(
        subject,
        Urgency.WATCH,
        f"Colder by {show(colder, 1)} (95 % interval {low} to {high}): {text}."
        + (" Or the other one is warmer." if context.day.baghouse.compartments == 2 else ""),
        _ACTION,
        values,
    )


def _side(context: Context, above_k: float) -> str:
    words = "above" if above_k >= 0 else "below"
    return f"{context.units.warming.show(abs(above_k), 1)} {words}"


_ACTION = work(
    outside="Listen and feel along doors, seams and hopper discharge for air that is drawn in; see "
    "the damper positions and whether the hopper empties; compare the thermocouple with a second "
    "reading.",
    isolated="door seals, damper seats and bags of that compartment.",
)

RULE = Rule(
    name="cold_compartment",
    title="A compartment is colder",
    chapter=Chapter.TEMPERATURE,
    looks_for="An outlet temperature below that of the other compartments at the same hours, "
    "beyond what is usual for it.",
    needs=(
        Need(
            any_of=(Role.OUTLET_TEMPERATURE,),
            purpose="to compare compartments",
            max_step_s=1800.0,  # chosen: hours are compared
        ),
    ),
    thresholds=(
        limit(
            "colder",
            "5 K{difference}",
            "fall against the others, from what is usual",
            chosen="load and season move the difference by some kelvin",
            dimension=Dimension.WARMING,
        ),
        limit(
            "history_days",
            "7",
            "earlier days that make the usual",
            chosen="a week holds its weekend",
        ),
    ),
    check_first=(
        "doors, seams and hopper discharge from outside: air drawn in is heard and felt",
        "damper positions; hopper level and discharge",
        "the thermocouple against a second reading",
        "isolated: door seals, damper seats, bags",
    ),
    confused_with="a compartment off line without a bit, a thermocouple that drifts",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    judge=judge,
)
