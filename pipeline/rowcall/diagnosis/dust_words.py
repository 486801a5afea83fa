"""Dust in words: levels of opacity and dust signal as their tags are recorded."""

from __future__ import annotations

from rowcall.model import BaghouseDay
from rowcall.site import ROLES, Role
from rowcall.units import significant, symbol

NO_RECORD = "rowcall reports; this is no compliance record"


def show_dust(day: BaghouseDay, role: Role, inside: float) -> str:
    """Write a level of a dust tag in the unit in which it is recorded."""
    unit = next((tag.outside_unit for tag in day.baghouse.tag if tag.role is role), None)
    if unit is None:
        return significant(inside)
    return f"{significant(unit.from_inside(inside))} {symbol(unit.code)}"


def name_of(role: Role) -> str:
    """Name a dust tag's role in words."""
    return ROLES[role].name
