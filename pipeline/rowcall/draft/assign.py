"""Giving an export's tags their roles, so that each role and place has one tag."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from rowcall.draft.counter_numbers import row_numbers
from rowcall.draft.tag_facts import TagFacts
from rowcall.draft.tag_words import natural, place_of, role_of, row_places
from rowcall.site import ROLES, Role, Serves

_MAX_NUMBER = 99  # of a compartment or row, as in a site file
_ORDER = list(Role)


@dataclass(frozen=True, slots=True)
class Assigned:
    """One tag's role and place; `check` asks a person to look at something, or is empty.

    numbers: what a step counter shows for its rows, where that is not 1, 2, 3 and so on.
    """

    tag: TagFacts
    role: Role
    compartment: int | None = None
    row: int | None = None
    check: str = ""
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Assignment:
    """The tags of one baghouse with a role, its rows a compartment, and the tags without one."""

    tags: tuple[Assigned, ...]
    rows: tuple[int, ...]
    rows_are_certain: bool
    rest: tuple[TagFacts, ...]


def assign_roles(tags: Iterable[TagFacts]) -> Assignment:
    """Give the tags of one baghouse their roles, as far as names and samples suggest them."""
    by_role: dict[Role | None, list[TagFacts]] = {}
    for tag in sorted(tags, key=lambda tag: natural(tag.name)):
        by_role.setdefault(role_of(tag.name), []).append(tag)
    rest = by_role.pop(None, [])
    solenoids = by_role.pop(Role.ROW_SOLENOID, [])
    found, certain = _solenoids(solenoids)
    rows = _rows(found, by_role.get(Role.STEP_COUNTER, []))
    counted = [len(rows) if found else 0]
    counted += [
        len(by_role.get(role, [])) for role in (Role.STEP_COUNTER, Role.COMPARTMENT_ON_LINE)
    ]
    guessed = _settle_pairs(by_role, max(counted))
    for role, listed in by_role.items():
        if role is not None and ROLES[role].serves is Serves.COMPARTMENT:
            found += _by_compartment(role, listed, len(rows))
        elif role is not None:
            found += [Assigned(tag, role, place_of(tag.name)[0]) for tag in listed]
    found = [replace(a, check="is this the right role?") if a.tag in guessed else a for a in found]
    found = [_numbered(a, rows) if a.role is Role.STEP_COUNTER else a for a in found]
    kept, doubles = _one_a_place(sorted(found, key=lambda one: _ORDER.index(one.role)))
    compartments = max([len(rows), *(one.compartment or 0 for one in kept)])
    rows = rows + (rows[-1],) * (compartments - len(rows))
    return Assignment(tuple(kept), rows, certain, tuple(rest + doubles))


def _solenoids(solenoids: Sequence[TagFacts]) -> tuple[list[Assigned], bool]:
    places, certain = row_places(tag.name for tag in solenoids)
    check = "" if certain else "is this the right compartment and row?"
    found = [Assigned(tag, Role.ROW_SOLENOID, *places[tag.name], check) for tag in solenoids]
    within = [one for one in found if one.row is not None and one.row <= _MAX_NUMBER]
    return within, certain and bool(solenoids)


def _rows(solenoids: Sequence[Assigned], counters: Sequence[TagFacts]) -> tuple[int, ...]:
    """Return the rows of each compartment: from the solenoids, else the highest count."""
    counted: dict[int, int] = {}
    for one in solenoids:
        place = one.compartment or 1
        counted[place] = max(counted.get(place, 0), one.row or 1)
    if not counted:
        listed = [row_numbers(tag.numbers, is_shared=len(counters) == 1) for tag in counters]
        if len(listed) == 1:
            return tuple(map(len, listed[0]))
        counted = {place: max(len(rows[0]), 1) for place, rows in enumerate(listed, start=1)}
    return tuple(counted.get(place, 1) for place in range(1, max(counted, default=1) + 1))


def _numbered(one: Assigned, rows: Sequence[int]) -> Assigned:
    """Return a step counter with the numbers of its rows, where they fit the known rows."""
    is_shared = one.compartment is None or len(rows) == 1
    listed = row_numbers(one.tag.numbers, is_shared=is_shared)
    served = tuple(rows) if is_shared else (rows[(one.compartment or 1) - 1],)
    numbers = tuple(number for part in listed for number in part)
    if numbers == tuple(range(1, sum(served) + 1)):
        return one
    if tuple(map(len, listed)) == served:
        return replace(one, numbers=numbers)
    return replace(one, check="which number does it show for which row? State them as numbers")


def _settle_pairs(by_role: dict[Role | None, list[TagFacts]], compartments: int) -> list[TagFacts]:
    """Separate tags that share letters: two temperatures, two analyses, header and supply.

    Changes `by_role`, and returns the tags whose role is now a guess.
    """
    guessed: list[TagFacts] = []
    for second, facts in ROLES.items():
        first = facts.shares_letters_with
        if first is None or ROLES[first].serves is not Serves.BAGHOUSE:
            continue
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


def _by_compartment(role: Role, tags: Sequence[TagFacts], compartments: int) -> list[Assigned]:
    named = [place_of(tag.name)[0] for tag in tags]
    if all(place is not None for place in named):
        return [Assigned(tag, role, place) for tag, place in zip(tags, named, strict=True)]
    if len(tags) == 1 and compartments > 1:
        return [Assigned(tags[0], role, check="one for all compartments?")]
    check = "is this the right compartment?" if len(tags) > 1 else ""
    return [Assigned(tag, role, place, check=check) for place, tag in enumerate(tags, start=1)]


def _one_a_place(found: Sequence[Assigned]) -> tuple[list[Assigned], list[TagFacts]]:
    """Return the first tag at each role and place, as a site file must, and the other tags."""
    taken: set[tuple[Role, int | None, int | None]] = set()
    kept, doubles = [], []
    for one in found:
        place = (one.role, one.compartment, one.row)
        if place in taken or not 1 <= (one.compartment or 1) <= _MAX_NUMBER:
            doubles.append(one.tag)
        else:
            kept.append(one)
            taken.add(place)
    return kept, doubles
