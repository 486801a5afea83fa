"""What a tag's name says: role, baghouse, compartment and row.

Letters follow ANSI/ISA-5.1: first the measured variable (P pressure, PD pressure difference,
T temperature, A analysis, F flow, J power, I current, Y event, H hand, Z position), then what is
done with it (T transmits, I indicates, S switches).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from itertools import pairwise

from rowcall.site import ROLES, Role

_LETTERS = {letters: role for role, facts in ROLES.items() for letters in facts.letters}
_COMPARTMENT = frozenset(("c", "comp", "compartment", "cell", "chamber", "module", "kammer"))
_ROW = frozenset(("r", "row", "reihe"))
_BAGHOUSE = re.compile(
    r"(?:^(?:ff|filter|dc)|(?<![A-Za-z])(?:bh|baghouse))[ _-]?\d+", re.IGNORECASE
)
_TOKEN = re.compile(r"(?i:SO[23]|H2O)|[A-Z]+(?![a-z])|[A-Za-z][a-z]*|\d+")


def role_of(name: str) -> Role | None:
    """Return the role that a tag's name suggests, None where it suggests none."""
    return next(iter(roles_of(name)), None)


def roles_of(name: str, description: str = "") -> list[Role]:
    """Return the roles that a tag's name suggests, the likeliest first, letters before words.

    Letters of the last part go first: `K1FI.PT-1` is a pressure of the filter K1FI. The words of a
    description choose between roles that share letters.
    """
    tokens = [token for part in re.split(r"[./\\]", name)[::-1] for token in _TOKEN.findall(part)]
    words = _words(name)
    lettered = [_LETTERS[token] for token in tokens if token in _LETTERS]
    found = [*lettered, *(role for role in ROLES if _suffices(role, words))]
    return _settled(found, words | _words(description))


def roles_in_words(description: str) -> list[Role]:
    """Return the roles that the words of a description suggest, clearer words first."""
    words = _words(description)
    return _settled([role for role in ROLES if _suffices(role, words)], words)


def _settled(found: Iterable[Role], words: set[str]) -> list[Role]:
    """Return roles once each, with those that share letters separated by their words."""
    rather = (next((role for role in ROLES if _is_rather(role, one, words)), one) for one in found)
    return list(dict.fromkeys(rather))


def _words(text: str) -> set[str]:
    return {token.lower() for token in _TOKEN.findall(text)}


def _suffices(role: Role, words: set[str]) -> bool:
    return ROLES[role].words_suffice and not words.isdisjoint(ROLES[role].words)


def _is_rather(role: Role, found: Role, words: set[str]) -> bool:
    """Return whether a name that seems to be of role `found` is of one that shares its letters."""
    is_other = ROLES[role].shares_letters_with is found
    return is_other and not words.isdisjoint(ROLES[role].words)


def baghouse_of(name: str) -> str:
    """Return the part of a name that names the baghouse, such as `BH1`, or nothing."""
    match = _BAGHOUSE.search(name)
    return match[0] if match else ""


def _without_baghouse(name: str) -> str:
    return name.replace(baghouse_of(name), " ", 1)


def place_of(name: str) -> tuple[int | None, int | None]:
    """Return compartment and row where the name holds them in words, such as `C2 row 5`."""
    tokens = _TOKEN.findall(_without_baghouse(name))
    compartment = row = None
    for word, number in pairwise(tokens):
        if number.isdigit() and word.lower() in _COMPARTMENT:
            compartment = int(number)
        elif number.isdigit() and word.lower() in _ROW:
            row = int(number)
    return compartment, row


def row_places(names: Iterable[str]) -> tuple[dict[str, tuple[int, int]], bool]:
    """Return compartment and row of each row's tag, and whether they are certain.

    Certain are words in every name, numbers `crr` (compartment, row in two digits), or names that
    differ in the row's number, or in those of compartment and row, alone; all of these count every
    compartment's rows from 1 without gaps. Else the rows are counted in the names' order.
    """
    ordered = sorted(names, key=natural)
    places = {name: place_of(name) for name in ordered}
    in_words = {name: (c or 1, r) for name, (c, r) in places.items() if r is not None}
    in_digits = {
        name: (int(digits[:-2]), int(digits[-2:]))
        for name in ordered
        if len(digits := (re.findall(r"\d+", _without_baghouse(name)) or [""])[-1]) >= 3
    }
    for certain in (in_words, in_digits, _in_numbers(ordered)):
        if len(certain) == len(ordered) and _counts_up(certain.values()):
            return certain, True
    return {name: (1, row) for row, name in enumerate(ordered, start=1)}, False


def _in_numbers(names: Sequence[str]) -> dict[str, tuple[int, int]]:
    """Return compartment and row of names that differ in one or two of their numbers alone."""
    if len({re.sub(r"\d+", "0", name) for name in names}) != 1:
        return {}
    columns = list(zip(*(map(int, re.findall(r"\d+", name)) for name in names), strict=True))
    varying = [column for column in columns if len(set(column)) > 1]
    if not 1 <= len(varying) <= 2:
        return {}
    compartments = varying[0] if len(varying) == 2 else (1,) * len(names)
    return dict(zip(names, zip(compartments, varying[-1], strict=True), strict=True))


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
