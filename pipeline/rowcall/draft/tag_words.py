"""What a tag's name tells: role, baghouse, compartment and row.

Letters follow ANSI/ISA-5.1: first the measured variable (P pressure, PD pressure difference,
T temperature, A analysis, F flow, J power, I current, Y event, H hand, Z position), then what is
done with it (T transmits, I indicates, S switches).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from itertools import pairwise

from rowcall.site import Role

_LETTERS: dict[str, Role] = {
    **dict.fromkeys(("PDT", "PDI", "PDIT", "DPT", "DP"), Role.DP),
    **dict.fromkeys(("PT", "PI", "PIT"), Role.HEADER_PRESSURE),
    **dict.fromkeys(("TT", "TI", "TIT", "TE"), Role.INLET_TEMPERATURE),
    **dict.fromkeys(("AT", "AI", "AIT"), Role.OPACITY),
    **dict.fromkeys(("FT", "FI", "FIT"), Role.GAS_FLOW),
    **dict.fromkeys(("JT", "IT", "JI", "II"), Role.FAN_SIGNAL),
    **dict.fromkeys(("HS", "XS"), Role.CLEANING_ON),
    "YS": Role.ROW_SOLENOID,
    "YI": Role.STEP_COUNTER,
    "ZS": Role.COMPARTMENT_ON_LINE,
}
# The first line with a word of the name decides, so the more telling words come first.
_WORDS: tuple[tuple[Role, str], ...] = (
    (Role.DP, "dp differential diff delta deltap"),
    (Role.INLET_TEMPERATURE, "temp temperature"),
    (Role.OPACITY, "opacity"),
    (Role.DUST_SIGNAL, "dust particulate emission"),
    (Role.SUPPLY_PRESSURE, "supply compressor"),
    (Role.STEP_COUNTER, "step sequence counter"),
    (Role.CLEANING_ON, "cleaning pulsing"),
    (Role.COMPARTMENT_ON_LINE, "online damper isolation"),
    (Role.HEADER_PRESSURE, "header manifold"),
    (Role.FAN_SIGNAL, "fan amps current"),
    (Role.GAS_FLOW, "flow"),
    (Role.ROW_SOLENOID, "solenoid valve row"),
)
# Words that turn one role into its neighbour: temperatures, pressures and analyses have two.
_TURNS: dict[Role, tuple[Role, str]] = {
    Role.INLET_TEMPERATURE: (Role.OUTLET_TEMPERATURE, "outlet out stack discharge"),
    Role.HEADER_PRESSURE: (Role.SUPPLY_PRESSURE, "supply compressor"),
    Role.OPACITY: (Role.DUST_SIGNAL, "dust particulate emission"),
}
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
        found = next((role for role, told in _WORDS if words & set(told.split())), None)
    if found in _TURNS:
        other, told = _TURNS[found]
        return other if words & set(told.split()) else found
    return found


def baghouse_of(name: str) -> str:
    """Return the part of a name that tells the baghouse, such as `BH1`, or nothing."""
    match = _BAGHOUSE.match(name)
    return match[0] if match else ""


def place_of(name: str) -> tuple[int | None, int | None]:
    """Return compartment and row where the name says them in words, such as `C2 row 5`."""
    tokens = _TOKEN.findall(name[len(baghouse_of(name)) :])
    compartment = row = None
    for word, number in pairwise(tokens):
        if number.isdigit() and word.lower() in _COMPARTMENT:
            compartment = int(number)
        elif number.isdigit() and word.lower() in _ROW:
            row = int(number)
    return compartment, row


def row_places(names: Iterable[str]) -> tuple[dict[str, tuple[int, int]], bool]:
    """Return compartment and row of each row's tag, and whether the names say them for certain.

    Certain are words in every name, or numbers `crr` (compartment, row in two digits) that count
    every compartment's rows from 1 without gaps. Else the rows are counted in the names' order.
    """
    ordered = sorted(names, key=natural)
    said = {name: place_of(name) for name in ordered}
    in_words = {name: (c or 1, r) for name, (c, r) in said.items() if r is not None}
    in_digits = {
        name: (int(digits[:-2]), int(digits[-2:]))
        for name in ordered
        if len(digits := (re.findall(r"\d+", name[len(baghouse_of(name)) :]) or [""])[-1]) >= 3
    }
    for places in (in_words, in_digits):
        if len(places) == len(ordered) and _counts_up(places.values()):
            return places, True
    return {name: (1, row) for row, name in enumerate(ordered, start=1)}, False


def _counts_up(places: Iterable[tuple[int, int]]) -> bool:
    """True where compartments, and the rows of each, are 1, 2, 3 ... without gap or repetition."""
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
