"""Tags that cannot both be right: of one role apart, or a header at rest above its supply.

Why: compartments hang between the same two ducts, so their DP is one, and the gas that enters them
has one temperature; air flows from the supply to the header, so a header at rest never stands above
it. Which of two tags is wrong only a third one, or a zero, shows. Rule out: a compartment off line;
a fixed difference of the taps' places, which days before show; a supply that fell after the header
was filled.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall.diagnosis.sensors.redundant_tags import APART, departures, scale_of, suspects
from rowcall.diagnosis.sensors.sensor_tags import name_of, places_of, running_dp
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension

_NAME = "tags_disagree"
_RULES = (_NAME, "tag_drifts", "dp_tap_plugged", "tag_stuck")
_ROLES = (*APART, Role.HEADER_PRESSURE)


def judge(context: Context) -> Iterator[Answer]:
    """Answer for each place that has a tag with something to be held against."""
    _, unknown = departures(context, _RULES, context.limits["history_days"])
    for compartment in places_of(context.day, _ROLES) or {0: ()}:
        subject = context.subject(compartment)
        over = _over_supply(context, compartment)
        said, roles, values = list[str](), list[Role](), list[Quantity]()
        if over > context.limits["over_supply"]:
            roles += [Role.HEADER_PRESSURE]
            said += [_over_said(context, compartment, over)]
        for role in APART:
            enough = _enough(context, role, compartment)
            off = [one for one in unknown if one.role is role and abs(one.value) > enough]
            for one in suspects(off, role):
                if one.compartment == compartment:
                    roles += [role]
                    said += [_apart_said(context, role, compartment, one.value, one.is_odd)]
                    values += [Quantity(f"{role.value}_apart", one.value, APART[role].value.unit)]
        compared = any(
            not math.isnan(context.facts.of(fact, compartment)) for fact in APART.values()
        )
        if said:
            text = f"{'; '.join(said)}."
            yield context.found(
                subject,
                Urgency.WATCH,
                text[0].upper() + text[1:],
                _ACTION,
                values,
                condemns=tuple(roles),
            )
        elif math.isnan(over) and not compared:
            why = "no other tag shows the same here"
            yield Answer.cannot_tell(subject, why, Lack.NOTHING)
        else:
            yield Answer.clear(subject, "Tags that show the same agree.")


def _over_supply(context: Context, compartment: int) -> float:
    """Return by how much a header stands above its supply at rest [Pa], nan where not known."""
    rest = context.facts.of(Fact.IDLE_PA, compartment)
    return rest - context.facts.of(Fact.SUPPLY_PRESSURE_PA)


def _over_said(context: Context, compartment: int, over: float) -> str:
    name, show = name_of(context.day, Role.HEADER_PRESSURE, compartment), context.units.gauge.show
    supply = name_of(context.day, Role.SUPPLY_PRESSURE)
    return f"{name} stands {show(over)} above {supply} at rest, from which it is filled"


def _enough(context: Context, role: Role, compartment: int) -> float:
    if role is not Role.DP:
        return context.limits["warmer"]
    return context.limits["share"] * running_dp(context, compartment, _RULES)


def _apart_said(context: Context, role: Role, compartment: int, value: float, is_odd: bool) -> str:
    scale = scale_of(context.units, role)
    which = "" if is_odd else "; two do not show which is wrong"
    return (
        f"{name_of(context.day, role, compartment)} reads {scale.show(abs(value))} "
        f"{'more' if value > 0 else 'less'} than the other tags of the same gas{which}"
    )


_ACTION = work(
    outside="Compare each with a hand-held instrument at the test taps, and range and scale of the "
    "transmitters with those in the control system and the site file. Until then the check-up "
    "trusts nothing that rests on these tags.",
    isolated="drain and blow back the impulse lines, then calibrate the transmitters.",
)

RULE = Rule(
    name=_NAME,
    title="Tags disagree",
    chapter=Chapter.SENSORS,
    looks_for="Tags of the same gas that read apart by more than their places explain, and a "
    "header at rest above its supply.",
    needs=(),
    thresholds=(
        limit(
            "share",
            "15 %",
            "of DP while running, by which tags of DP may differ where the usual is not known",
            chosen="ducts and dampers of compartments make less",
        ),
        limit(
            "warmer",
            "10 K{difference}",
            "by which inlet temperatures may differ where the usual is not known",
            chosen="layers of gas in a duct make less",
            dimension=Dimension.WARMING,
        ),
        limit(
            "over_supply",
            "30 kPa",
            "header at rest above the supply",
            chosen="0.5 % of two spans of 10 bar is 10 kPa; supply swings within the day",
            dimension=Dimension.PRESSURE,
        ),
        limit("history_days", "5", "days that make a usual one", chosen="as in `tag_drifts`"),
    ),
    check_first=(
        "each with a hand-held instrument at the test taps; range and scale",
        "isolated: drain and blow back the impulse lines, calibrate the transmitters",
    ),
    confused_with="a compartment off line, other places of the taps, a supply that fell later",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HOT, Caution.COMBUSTIBLE_DUST),
    judge=judge,
    excused_off=True,
    after=("tag_drifts", "dp_tap_plugged", "tag_stuck"),
)
