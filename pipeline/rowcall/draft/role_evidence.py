"""Which role a tag's name, description, unit and values suggest together."""

from __future__ import annotations

from dataclasses import dataclass

from rowcall.draft.tag_facts import TagFacts
from rowcall.draft.tag_words import roles_in_words, roles_of
from rowcall.draft.unit_words import written_unit
from rowcall.site import ROLES, Role
from rowcall.units import Dimension


@dataclass(frozen=True, slots=True)
class Suggested:
    """A role; `check` says what speaks against it, or for want of what it is a guess.

    by_unit: nothing but the unit and the size of the values suggests it.
    """

    role: Role
    check: str = ""
    by_unit: bool = False


def suggested_role(tag: TagFacts) -> Suggested | None:
    """Return the likeliest role of a tag, None where nothing suggests one.

    A name's letters go before its words. Where a description suggests other roles than the name,
    it counts more. What unit or values contradict is taken only where they suggest no role either.
    """
    words = f"{tag.description} {tag.unit}"  # a line of descriptions may be taken for the units
    by_name = roles_of(tag.name, words)
    named = [role for role in by_name if _fits(tag, role)]
    described = [role for role in roles_in_words(words) if _fits(tag, role)]
    if agreed := [role for role in named if role in described or not described]:
        return Suggested(agreed[0])
    if described:
        check = "is this the right role? The name suggests another one" if named else ""
        return Suggested(described[0], check)
    if role := _by_unit(tag):
        against = "speaks against its name" if by_name else "is all that suggests it"
        return Suggested(role, f"is this the right role? The unit {against}", by_unit=not by_name)
    return Suggested(by_name[0]) if by_name else None


def _fits(tag: TagFacts, role: Role) -> bool:
    """Return whether unit and values of a tag allow a role."""
    facts, unit = ROLES[role], written_unit(tag.unit)
    if unit is None:
        return not tag.is_bit or Dimension.RATIO in facts.dimensions
    if unit.dimension not in facts.dimensions:
        return False
    if facts.possible is None or unit.dimension is not facts.dimensions[0]:
        return True
    low, high = facts.possible
    return low <= unit.to_inside(tag.middle) <= high


def _by_unit(tag: TagFacts) -> Role | None:
    """Return the first role of a tag's unit; ratios may be anything."""
    unit = written_unit(tag.unit)
    if unit is None or unit.dimension is Dimension.RATIO:
        return None
    order = (role for role in Role if ROLES[role].usual_units)
    return next((role for role in order if _fits(tag, role)), None)
