"""Casting an export's tags in their roles, so that each role and place is played by one tag."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rowcall.draft.tag_facts import TagFacts
from rowcall.draft.tag_words import natural, place_of, role_of, row_places
from rowcall.site import Role

_BY_COMPARTMENT = (Role.HEADER_PRESSURE, Role.COMPARTMENT_ON_LINE, Role.STEP_COUNTER)
_HIGHEST_ROW = 99
_ORDER = list(Role)


@dataclass(frozen=True, slots=True)
class Part:
    """One tag's role and place; `check` says what a person has to look at, or nothing."""

    tag: TagFacts
    role: Role
    compartment: int | None = None
    row: int | None = None
    check: str = ""


@dataclass(frozen=True, slots=True)
class Cast:
    """The parts of one baghouse, its rows a compartment, and the tags without a part."""

    parts: tuple[Part, ...]
    rows: tuple[int, ...]
    rows_are_certain: bool
    rest: tuple[TagFacts, ...]


def cast_tags(tags: Iterable[TagFacts]) -> Cast:
    """Give the tags of one baghouse their roles, as far as names and samples tell."""
    by_role: dict[Role | None, list[TagFacts]] = {}
    for tag in sorted(tags, key=lambda tag: natural(tag.name)):
        by_role.setdefault(role_of(tag.name), []).append(tag)
    rest = by_role.pop(None, [])
    solenoids = by_role.pop(Role.ROW_SOLENOID, [])
    parts, certain = _solenoid_parts(solenoids)
    rows = _rows(parts, by_role.get(Role.STEP_COUNTER, []))
    counted = [len(rows) if parts else 0]
    counted += [
        len(by_role.get(role, [])) for role in (Role.STEP_COUNTER, Role.COMPARTMENT_ON_LINE)
    ]
    guessed = _settle_pairs(by_role, max(counted))
    for role, listed in by_role.items():
        if role in _BY_COMPARTMENT:
            parts += _compartment_parts(role, listed, len(rows))
        elif role is not None:
            parts += [Part(tag, role, place_of(tag.name)[0]) for tag in listed]
    parts = [replace(p, check="is this the right role?") if p.tag in guessed else p for p in parts]
    kept, doubles = _one_a_place(sorted(parts, key=lambda part: _ORDER.index(part.role)))
    compartments = max([len(rows), *(part.compartment or 0 for part in kept)])
    rows = rows + (rows[-1],) * (compartments - len(rows))
    return Cast(tuple(kept), rows, certain, tuple(rest + doubles))


def _solenoid_parts(solenoids: Sequence[TagFacts]) -> tuple[list[Part], bool]:
    places, certain = row_places(tag.name for tag in solenoids)
    check = "" if certain else "is this the right compartment and row?"
    parts = [Part(tag, Role.ROW_SOLENOID, *places[tag.name], check) for tag in solenoids]
    within = [part for part in parts if part.row is not None and part.row <= _HIGHEST_ROW]
    return within, certain and bool(solenoids)


def _rows(solenoids: Sequence[Part], counters: Sequence[TagFacts]) -> tuple[int, ...]:
    """Return the rows of each compartment: from the solenoids, else as far as counters count."""
    counted: dict[int, int] = {}
    for part in solenoids:
        place = part.compartment or 1
        counted[place] = max(counted.get(place, 0), part.row or 1)
    if not counted:
        tops = [tag.highest if 1 <= tag.highest <= _HIGHEST_ROW else 1.0 for tag in counters]
        counted = {place: int(top) for place, top in enumerate(tops, start=1)}
    return tuple(counted.get(place, 1) for place in range(1, max(counted, default=1) + 1))


def _settle_pairs(by_role: dict[Role | None, list[TagFacts]], compartments: int) -> list[TagFacts]:
    """Tell apart tags that share letters: two temperatures, two analyses, header and supply.

    Changes `by_role`, and returns the tags whose role is now a guess.
    """
    guessed: list[TagFacts] = []
    for first, second in (
        (Role.INLET_TEMPERATURE, Role.OUTLET_TEMPERATURE),
        (Role.OPACITY, Role.DUST_SIGNAL),
    ):
        if len(by_role.get(first, [])) > 1 and second not in by_role:
            by_role[second] = [by_role[first].pop(1)]
            guessed += [by_role[first][0], *by_role[second]]
    headers = by_role.get(Role.HEADER_PRESSURE, [])
    if len(headers) == compartments + 1 > 1 and Role.SUPPLY_PRESSURE not in by_role:
        # A header drops at every pulse and the supply does not: the steadiest is the supply.
        steadiest = min(headers, key=lambda tag: tag.spread)
        headers.remove(steadiest)
        by_role[Role.SUPPLY_PRESSURE] = [steadiest]
        guessed.append(steadiest)
    return guessed


def _compartment_parts(role: Role, tags: Sequence[TagFacts], compartments: int) -> list[Part]:
    told = [place_of(tag.name)[0] for tag in tags]
    if all(place is not None for place in told):
        return [Part(tag, role, place) for tag, place in zip(tags, told, strict=True)]
    if len(tags) == 1 and compartments > 1:
        return [Part(tags[0], role, check="one for all compartments?")]
    check = "is this the right compartment?" if len(tags) > 1 else ""
    return [Part(tag, role, place, check=check) for place, tag in enumerate(tags, start=1)]


def _one_a_place(parts: Sequence[Part]) -> tuple[list[Part], list[TagFacts]]:
    """Keep the first tag at each role and place, as a site file must; return the others apart."""
    taken: set[tuple[Role, int | None, int | None]] = set()
    kept, doubles = [], []
    for part in parts:
        place = (part.role, part.compartment, part.row)
        if place in taken or not 1 <= (part.compartment or 1) <= _HIGHEST_ROW:
            doubles.append(part.tag)
        else:
            kept.append(part)
            taken.add(place)
    return kept, doubles
