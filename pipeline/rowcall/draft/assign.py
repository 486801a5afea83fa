"""Giving an export's tags their roles, so that each role and place has one tag."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from rowcall.draft.counter_numbers import row_numbers
from rowcall.draft.following import followed_bits, pulse_interval_s
from rowcall.draft.role_evidence import suggested_role
from rowcall.draft.tag_facts import TagFacts
from rowcall.draft.tag_words import natural, place_of, row_places
from rowcall.draft.unit_words import written_unit
from rowcall.site import ROLES, Role, Serves
from rowcall.units import Dimension

_MIN_SERIES = 4  # chosen: of bits that are taken for rows, or for a header's, by their numbers
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
    """The tags of one baghouse with a role, its rows a compartment, and the tags without one.

    interval_s: between pulses [s], None where it is not seen.
    """

    tags: tuple[Assigned, ...]
    rows: tuple[int, ...]
    rows_are_certain: bool
    rest: tuple[TagFacts, ...]
    interval_s: float | None


def assign_roles(tags: Iterable[TagFacts]) -> Assignment:
    """Give the tags of one baghouse their roles, as far as the export suggests them."""
    by_role, checks = _by_evidence(sorted(tags, key=lambda tag: natural(tag.name)))
    solenoids = by_role.pop(Role.ROW_SOLENOID, [])
    followed = _headers_that_follow(by_role, solenoids, checks)
    rest = by_role.pop(None, [])
    others = len(by_role.get(Role.HEADER_PRESSURE, [])) - len(followed)
    found, certain = _solenoids(solenoids, checks, list(followed.values()), others)
    rows = _rows(found, by_role.get(Role.STEP_COUNTER, []))
    counted = [len(rows) if found else 0]
    counted += [
        len(by_role.get(role, [])) for role in (Role.STEP_COUNTER, Role.COMPARTMENT_ON_LINE)
    ]
    _settle_pairs(by_role, max(counted), followed, checks)
    served = {name: _served(bits, found) for name, bits in followed.items()}
    for role, listed in by_role.items():
        if role is not None and ROLES[role].serves is Serves.COMPARTMENT:
            found += _by_compartment(role, listed, len(rows), served)
        elif role is not None:
            found += [Assigned(tag, role, place_of(tag.name)[0]) for tag in listed]
    found = [replace(a, check=checks.get(a.tag.name, a.check)) for a in found]
    found = [_numbered(a, rows) if a.role is Role.STEP_COUNTER else a for a in found]
    kept, doubles = _one_a_place(sorted(found, key=lambda one: _ORDER.index(one.role)))
    compartments = max([len(rows), *(one.compartment or 0 for one in kept)])
    certain = certain and compartments == len(rows)
    rows = rows + (rows[-1],) * (compartments - len(rows))
    interval_s = pulse_interval_s(solenoids)
    return Assignment(tuple(kept), rows, certain, tuple(rest + doubles), interval_s)


def _by_evidence(
    tags: Sequence[TagFacts],
) -> tuple[dict[Role | None, list[TagFacts]], dict[str, str]]:
    """Return the tags of each role, None for those without one, and by name what to check."""
    by_role: dict[Role | None, list[TagFacts]] = {None: []}
    checks: dict[str, str] = {}
    suggested = [(tag, suggested_role(tag)) for tag in tags]
    named = {one.role for _, one in suggested if one is not None and not one.by_unit}
    for tag, one in suggested:
        if one is None or (one.by_unit and one.role in named):  # a unit alone fills gaps only
            by_role[None].append(tag)
            continue
        by_role.setdefault(one.role, []).append(tag)
        if one.check:
            checks[tag.name] = one.check
    if Role.ROW_SOLENOID not in by_role and (numbered := _numbered_bits(by_role[None])):
        by_role[Role.ROW_SOLENOID] = numbered
        by_role[None] = [tag for tag in by_role[None] if tag not in numbered]
        checks |= dict.fromkeys((tag.name for tag in numbered), "is this the valve of a row?")
    return by_role, checks


def _numbered_bits(tags: Sequence[TagFacts]) -> list[TagFacts]:
    """Return the largest series of bits whose names differ in numbers alone, as those of rows."""
    series: dict[str, list[TagFacts]] = {}
    for tag in tags:
        if tag.is_bit:
            series.setdefault(re.sub(r"\d+", "0", tag.name), []).append(tag)
    longest = max(series.values(), key=len, default=[])
    is_certain = row_places(tag.name for tag in longest)[1]
    return longest if len(longest) >= _MIN_SERIES and is_certain else []


def _headers_that_follow(
    by_role: dict[Role | None, list[TagFacts]],
    solenoids: Sequence[TagFacts],
    checks: dict[str, str],
) -> dict[str, frozenset[str]]:
    """Return by signal the bits that it follows; each such signal now is a header pressure."""
    unnamed, headers = by_role[None], by_role.get(Role.HEADER_PRESSURE, [])
    found = {
        tag.name: bits
        for tag in [*unnamed, *headers]
        if _may_be_pressure(tag) and (bits := followed_bits(tag, solenoids))
    }
    # The supply of two headers may fall at the pulses of both.
    followed = {
        name: bits
        for name, bits in found.items()
        if not any(bits > others for others in found.values())
    }
    for name in followed:
        checks.pop(name, None)  # its falls agree with its unit
    new = [tag for tag in unnamed if tag.name in followed]
    if new:
        by_role[None] = [tag for tag in unnamed if tag.name not in followed]
        by_role[Role.HEADER_PRESSURE] = sorted([*headers, *new], key=lambda tag: natural(tag.name))
        check = "is this the right role? It falls right at the pulses"
        checks |= dict.fromkeys((tag.name for tag in new), check)
    return followed


def _may_be_pressure(tag: TagFacts) -> bool:
    unit = written_unit(tag.unit)
    return not tag.is_bit and (unit is None or unit.dimension is Dimension.PRESSURE)


def _served(bits: frozenset[str], rows: Sequence[Assigned]) -> set[int]:
    """Return the compartments of which a signal follows the bits of more than half of the rows."""
    every = Counter(one.compartment or 1 for one in rows)
    own = Counter(one.compartment or 1 for one in rows if one.tag.name in bits)
    return {compartment for compartment, count in own.items() if 2 * count > every[compartment]}


def _solenoids(
    solenoids: Sequence[TagFacts],
    checks: Mapping[str, str],
    followed: Sequence[frozenset[str]],
    others: int,
) -> tuple[list[Assigned], bool]:
    names = [tag.name for tag in solenoids]
    places, certain = row_places(names)
    check = "" if certain else "is this the right compartment and row?"
    if {compartment for compartment, _ in places.values()} == {1}:
        ordered = sorted(names, key=lambda name: places[name][1])
        if split := _by_header(ordered, followed, others):
            places, certain = split, False
            check = "is this the right compartment and row? By the header that falls at its pulses"
    found = [Assigned(tag, Role.ROW_SOLENOID, *places[tag.name], check) for tag in solenoids]
    within = [one for one in found if one.row is not None and one.row <= _MAX_NUMBER]
    return within, certain and bool(solenoids) and not any(name in checks for name in names)


def _by_header(
    names: Sequence[str], followed: Sequence[frozenset[str]], others: int
) -> dict[str, tuple[int, int]]:
    """Return compartment and row by the header that follows each bit, nothing for one header.

    Bits in series that none follows are of the only other header, as of one sampled too slowly; a
    few alone, as of silent rows, are of the compartment of the bit before them.
    """
    headers = [next((h for h, bits in enumerate(followed) if name in bits), None) for name in names]
    runs = [(header, len(list(run))) for header, run in groupby(headers)]
    if others == 1:
        runs = [(len(followed) if h is None and n >= _MIN_SERIES else h, n) for h, n in runs]
    order = [header for header, _ in groupby(header for header, _ in runs if header is not None)]
    is_shared = sum(map(len, followed)) > len(frozenset().union(*followed))
    if is_shared or len(order) < 2 or len(set(order)) < len(order):
        return {}
    places: list[tuple[int, int]] = []
    compartment, row = 1, 0
    for header, count in runs:
        if header is not None and order.index(header) + 1 > compartment:
            compartment, row = order.index(header) + 1, 0
        places += [(compartment, row + 1 + number) for number in range(count)]
        row += count
    return dict(zip(names, places, strict=True))


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


def _settle_pairs(
    by_role: dict[Role | None, list[TagFacts]],
    compartments: int,
    followed: Collection[str],
    checks: dict[str, str],
) -> None:
    """Separate tags that share letters: two temperatures, two analyses, header and supply.

    Changes `by_role`, and adds the tags whose role is now a guess to `checks`.
    """
    guess = "is this the right role?"
    for second, facts in ROLES.items():
        first = facts.shares_letters_with
        if first is None or ROLES[first].serves is not Serves.BAGHOUSE:
            continue
        if len(by_role.get(first, [])) > 1 and second not in by_role:
            by_role[second] = [by_role[first].pop(1)]
            checks |= {tag.name: guess for tag in (by_role[first][0], *by_role[second])}
    headers = by_role.get(Role.HEADER_PRESSURE, [])
    others = [tag for tag in headers if tag.name not in followed]
    if others and len(headers) == compartments + 1 > 1 and Role.SUPPLY_PRESSURE not in by_role:
        # A header drops at every pulse and the supply does not: the steadiest is the supply.
        steadiest = min(others, key=lambda tag: tag.spread)
        headers.remove(steadiest)
        by_role[Role.SUPPLY_PRESSURE] = [steadiest]
        checks[steadiest.name] = guess


def _by_compartment(
    role: Role, tags: Sequence[TagFacts], compartments: int, served: Mapping[str, Collection[int]]
) -> list[Assigned]:
    """Give tags their compartments: as named, else as the bits that they follow, else in order."""
    named = [place_of(tag.name)[0] for tag in tags]
    if all(place is not None for place in named):
        return [Assigned(tag, role, place) for tag, place in zip(tags, named, strict=True)]
    seen = [served.get(tag.name, ()) for tag in tags]
    if len(tags) == 1 and compartments > 1 and len(seen[0]) != 1:
        is_certain = len(seen[0]) == compartments
        return [Assigned(tags[0], role, check="" if is_certain else "one for all compartments?")]
    places = [min(each) if len(each) == 1 else None for each in seen]
    free = [place for place in range(1, len(tags) + compartments + 1) if place not in places]
    found = []
    for tag, place in zip(tags, places, strict=True):
        check = "is this the right compartment?" if place is None and len(tags) > 1 else ""
        found.append(Assigned(tag, role, free.pop(0) if place is None else place, check=check))
    return found


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
