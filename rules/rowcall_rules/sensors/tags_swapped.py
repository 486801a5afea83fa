"""Inlet and outlet temperature swapped: wires, channels or names.

Why: gas cools on its way through the casing, and bags and walls delay each change by minutes. Where
"outlet" is warmer than "inlet" all day and each change shows in it first, the two are swapped, by
wires after a repair or by names in export or site file. Rule out: an outlet that is warmer for
hours as load falls or a stop ends, by the heat of the casing; one that reads too high, which still
comes later; dust that burns.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall.diagnosis.sensors.sensor_tags import name_of, usual
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
from rowcall.units import Dimension, show

_NAME = "tags_swapped"
_BOTH = (Role.INLET_TEMPERATURE, Role.OUTLET_TEMPERATURE)


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse."""
    yield _judged(context)


def _judged(context: Context) -> Answer:
    subject, facts, limits = context.subject(), context.facts, context.limits
    drop, lag_s = facts.of(Fact.OUTLET_DROP_K), facts.of(Fact.OUTLET_LAG_S)
    if math.isnan(drop):
        return Answer.cannot_tell(subject, "no hour of running gas shows both", Lack.NOTHING)
    values = [Quantity("outlet_drop", drop, "K")]
    values += [] if math.isnan(lag_s) else [Quantity("outlet_lag", lag_s, "s")]
    warming = context.units.warming.show
    if drop > -limits["warmer"]:
        said = f"Outlet reads {warming(abs(drop))} {'below' if drop >= 0 else 'above'} inlet"
        return Answer.clear(subject, f"{said}, median of running gas.", values)
    before = usual(context, Fact.OUTLET_DROP_K, 0, (_NAME,))
    is_mirrored = before > limits["warmer"] and abs(drop + before) < limits["mirror"] * before
    leads = lag_s <= -limits["leads"]
    if not leads and not is_mirrored:
        why = f"outlet reads {warming(-drop)} above inlet, but nothing shows that it comes first"
        return Answer.cannot_tell(subject, why, Lack.NOTHING, values=values)
    inlet, outlet = (name_of(context.day, role) for role in _BOTH)
    first = f", and changes {show(-lag_s, 'min', 0)} before it" if leads else ""
    was = f"; before, it was {warming(before)} colder" if before > 0 else ""
    text = f"{outlet} reads {warming(-drop)} above {inlet}{first}{was}."
    return context.found(
        subject,
        Urgency.WATCH,
        text[0].upper() + text[1:],
        _ACTION,
        values,
        condemns=_BOTH,
    )


_ACTION = work(
    outside="Compare both with a hand-held thermometer at inlet and outlet, and the names in "
    "control system, export and site file. If both are right, look for dust that burns."
)

RULE = Rule(
    name=_NAME,
    title="Tags swapped",
    chapter=Chapter.SENSORS,
    looks_for="Outlet temperature above inlet temperature, which it leads or mirrors.",
    needs=tuple(
        Need(any_of=(role,), purpose="to compare inlet with outlet", max_step_s=300.0)
        for role in _BOTH  # max_step_s chosen: coarser points show no lag of minutes
    ),
    thresholds=(
        limit(
            "warmer",
            "2 K{difference}",
            "by which outlet is above inlet",
            chosen="two thermometers of class B differ by less at 150 °C",
            dimension=Dimension.WARMING,
        ),
        limit(
            "leads",
            "1 min",
            "by which its changes come first",
            chosen="the finest that minutes show",
            dimension=Dimension.TIME,
        ),
        limit("mirror", "50 %", "of the usual drop that the new rise may miss", chosen="load"),
        limit("history_days", "3", "days that make a usual drop", chosen="as in `tag_stuck`"),
    ),
    check_first=("both with a hand-held thermometer; the names in control system and site file",),
    confused_with="heat of the casing as load falls; dust that burns",
    cautions=(Caution.HOT, Caution.BREATHING),
    judge=judge,
)
