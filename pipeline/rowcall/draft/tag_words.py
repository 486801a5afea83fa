"""What a tag's name says: role, baghouse, compartment and row.

Letters follow ANSI/ISA-5.1: first the measured variable (P pressure, PD pressure difference,
T temperature, A analysis, F flow, J power, I current, Y event, H hand, Z position), then what is
done with it (T transmits, I indicates, S switches).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise

from rowcall.site import ROLES, Role

_LETTERS = {letters: role for role, facts in ROLES.items() for letters in facts.letters}
_COMPARTMENT = frozenset(("c", "comp", "compartment", "cell", "chamber", "module"))
_ROW = frozenset(("r", "row"))
_BAGHOUSE = re.compile(r"(?:bh|baghouse|ff|filter|dc)[ _-]?\d+", re.IGNORECASE)
_TOKEN = re.compile(r"[A-Z]+(?![a-z])|[A-Za-z][a-z]*|\d+")


def role_of(name: str) -> Role | None:
    """Return the role that a tag's name suggests, None where it suggests none."""
    tokens = _TOKEN.findall(name)
    words = {token.lower() for token in tokens}
    found = next((_LETTERS[token] for token in tokens if token in _LETTERS), None)
    if found is None:
        found = next((role for role in ROLES if _suffices(role, words)), None)
    return next((role for role in ROLES if _is_rather(role, found, words)), found)


def _suffices(role: Role, words: set[str]) -> bool:
    return ROLES[role].words_suffice and not words.isdisjoint(ROLES[role].words)


def _is_rather(role: Role, found: Role | None, words: set[str]) -> bool:
    """Return whether a name that seems to be of role `found` is of one that shares its letters."""
    is_other = found is not None and ROLES[role].shares_letters_with is found
    return is_other and not words.isdisjoint(ROLES[role].words)


def baghouse_of(name: str) -> str:
    """Return the part of a name that names the baghouse, such as `BH1`, or nothing."""
    match = _BAGHOUSE.match(name)
    return match[0] if match else ""


def place_of(name: str) -> tuple[int | None, int | None]:
    """Return compartment and row where the name holds them in words, such as `C2 row 5`."""
    tokens = _TOKEN.findall(name[len(baghouse_of(name)) :])
    compartment = row = None
    for word, number in pairwise(tokens):
        if number.isdigit() and word.lower() in _COMPARTMENT:
            compartment = int(number)
        elif number.isdigit() and word.lower() in _ROW:
            row = int(number)
    return compartment, row


def row_places(names: Iterable[str]) -> tuple[dict[str, tuple[int, int]], bool]:
    """Return compartment and row of each row's tag, and whether they are certain.

    Certain are words in every name, or numbers `crr` (compartment, row in two digits) that count
    every compartment's rows from 1 without gaps. Else the rows are counted in the names' order.
    """
    ordered = sorted(names, key=natural)
    places = {name: place_of(name) for name in ordered}
    in_words = {name: (c or 1, r) for name, (c, r) in places.items() if r is not None}
    in_digits = {
        name: (int(digits[:-2]), int(digits[-2:]))
        for name in ordered
        if len(digits := (re.findall(r"\d+", name[len(baghouse_of(name)) :]) or [""])[-1]) >= 3
    }
    for certain in (in_words, in_digits):
        if len(certain) == len(ordered) and _counts_up(certain.values()):
            return certain, True
    return {name: (1, row) for row, name in enumerate(ordered, start=1)}, False


def _counts_up(places: Iterable[tuple[int, int]]) -> bool:
    """Return whether compartments, and the rows of each, count up from 1 without a gap."""
    listed = list(places)
    rows: dict[int, list[int]] = {}
    for compartment, row in listed:
        rows.setdefault(compartment, []).append(row)
    return sorted(rows) == list(range(1, len(rows) + 1)) and all(
        sorted(each) == list(range(1, len(each) + 1)) for each in rows.values()
    )


def natural(name: str) -> tuple[str | int, ...]:
    """Return a key that sorts `PT-9` before `PT-10`."""
    parts = re.split(r"(\d+)", name)
    return tuple(int(part) if place % 2 else part.lower() for place, part in enumerate(parts))
