"""Dust in words: levels of opacity and dust signal as their tags are recorded."""

from __future__ import annotations

import math

from rowcall.model import BaghouseDay, Fact, FactBook
from rowcall.site import ROLES, Role
from rowcall.units import Unit, find_unit, significant, symbol

NO_RECORD = "rowcall reports; this is no compliance record"


def dust_role(facts: FactBook) -> Role:
    """Return the monitor that the puffs of a day are of."""
    return Role.DUST_SIGNAL if (Fact.DUST_BASE, 0, 0) in facts else Role.OPACITY


def dust_unit(day: BaghouseDay, role: Role) -> Unit:
    """Return the unit in which a dust tag is recorded."""
    of_role = (tag.outside_unit for tag in day.baghouse.tag if tag.role is role)
    return next(of_role, find_unit("%"))


def show_dust(day: BaghouseDay, role: Role, inside: float) -> str:
    """Write a level of a dust tag in the unit in which it is recorded."""
    if not math.isfinite(inside):
        return "unknown"
    unit = dust_unit(day, role)
    return f"{significant(unit.from_inside(inside), 2)} {symbol(unit.code)}"


def name_of(role: Role) -> str:
    """Name a dust tag's role in words."""
    return ROLES[role].name
