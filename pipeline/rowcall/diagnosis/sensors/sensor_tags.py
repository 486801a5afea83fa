"""What rules of sensors share: tags, their names, and days on which they were sound."""

from __future__ import annotations

import math
from collections.abc import Collection

import numpy as np

from rowcall.model import BaghouseDay, Context, Fact, Floats
from rowcall.site import ROLES, Role


def places_of(day: BaghouseDay, roles: Collection[Role]) -> dict[int, tuple[Role, ...]]:
    """Return by compartment, 0 the whole baghouse, which of some roles have a tag there."""
    places: dict[int, tuple[Role, ...]] = {}
    for tag in day.baghouse.tag:
        if tag.role in roles:
            own = places.get(tag.compartment or 0, ())
            places[tag.compartment or 0] = (*own, tag.role)
    return dict(sorted(places.items()))


def name_of(day: BaghouseDay, role: Role, compartment: int = 0) -> str:
    """Return the role and the name of its tag."""
    names = (t.tag for t in day.baghouse.tag if (t.role, t.compartment or 0) == (role, compartment))
    return f"{ROLES[role].name} ({next(names, 'no tag')})"


def usual(context: Context, fact: Fact, compartment: int, rules: Collection[str]) -> float:
    """Return the median of a fact on days on which none of the rules found anything at its place.

    nan where fewer than the limit `history_days` are known.
    """
    values = sound_values(context, fact, compartment, rules)
    return float(np.median(values)) if values.size >= context.limits["history_days"] else math.nan


def running_dp(context: Context, compartment: int, rules: Collection[str]) -> float:
    """Return the size of DP while running [Pa]: the usual one, else today's, nan where unknown."""
    level = usual(context, Fact.DP_RUNNING_PA, compartment, rules)
    return abs(context.facts.of(Fact.DP_RUNNING_PA, compartment) if math.isnan(level) else level)


def sound_values(context: Context, fact: Fact, compartment: int, rules: Collection[str]) -> Floats:
    """Return such days' values, oldest first."""
    found = context.history.days_found
    condemned = {day for rule in rules for day in found.get((rule, compartment), ())}
    days, values = context.history.of(fact, compartment)
    return values[np.array([day not in condemned for day in days], np.bool_)]
