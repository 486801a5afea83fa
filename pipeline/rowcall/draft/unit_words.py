"""Units as exports write them, to UCUM codes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import get_args

from rowcall.site import ROLES, Role, UnitsTable
from rowcall.units import UNITS, Unit

# Compared in lower case, without blanks, with plain digits. A unit of gas flow "at normal
# conditions" is left out on purpose: it is another quantity than the flow in the duct.
_ALSO = {
    "bar": "barg bar(g)",
    "mbar": "mbarg mbar(g)",
    "kPa": "kpag kpa(g)",
    "[psi]": "psi psig psi(g)",
    "[in_i'H2O]": "inh2o in.h2o inwc inw.c. in.w.c. inwg in.w.g. iwc iwg",
    "mm[H2O]": "mmh2o mmwc mmwg",
    "Cel": "c degc \u00b0c",
    "[degF]": "f degf \u00b0f",
    "m3/h": "m3/hr am3/h",
    "[ft_i]3/min": "cfm acfm ft3/min",
    "A": "amp amps ampere",
    "%": "percent pct",
    "{rev}/min": "rpm 1/min rev/min r/min",
    "1": "- bool on/off 0/1",
    "[gr]/[ft_i]3": "gr/ft3",
    "[ppm]": "ppm",
}
_WRITTEN = {written: code for code, many in _ALSO.items() for written in many.split()}
# Key of `[units]` that a role's quantities are written by, and codes that it has another word for.
_KIND = {
    Role.DP: "dp",
    Role.HEADER_PRESSURE: "pressure",
    Role.SUPPLY_PRESSURE: "pressure",
    Role.INLET_TEMPERATURE: "temperature",
    Role.GAS_FLOW: "gas_flow",
}
_SHOWN_AS = {"hPa": "mbar", "[ft_i]3/min": "[cft_i]/min"}
_BY_LOWER = {code.lower(): code for code in UNITS}


def unit_of(written: str, role: Role, middle: float) -> tuple[str, bool]:
    """Return a UCUM code that fits the role, and whether it is the one that the export writes.

    Bits and counters have no unit: theirs is `1`, and certain. `middle` is the median value.
    """
    usual = ROLES[role].usual_units
    if not usual:
        return "1", True
    unit = written_unit(written)
    if unit is not None and unit.dimension in ROLES[role].dimensions:
        return unit.code, True
    # A guess, which is marked in the draft.
    return next((likely for lowest, likely in usual if middle >= lowest), usual[-1][1]), False


def written_unit(written: str) -> Unit | None:
    """Return the unit that an export writes, None for nothing or one that is not known."""
    plain = "".join(written.translate(str.maketrans("\u00b2\u00b3", "23")).lower().split())
    code = written if written in UNITS else _WRITTEN.get(plain) or _BY_LOWER.get(plain)
    return None if code is None else UNITS[code]


def units_wanted(written: Iterable[tuple[Role, str]]) -> Mapping[str, str]:
    """Return what `[units]` says otherwise than its defaults where reports follow an export.

    Free air is in cubic feet where pressure is in psi.

    Args:
        written: role and unit of each tag.
    """
    kinds = ((_KIND.get(role), written_unit(unit)) for role, unit in written)
    seen = Counter(
        (kind, _SHOWN_AS.get(unit.code, unit.code)) for kind, unit in kinds if kind and unit
    )
    out: dict[str, str] = {}
    for (kind, code), _ in seen.most_common():
        if code in get_args(UnitsTable.model_fields[kind].annotation):
            out.setdefault(kind, code)
    if out.get("pressure") == "[psi]":
        out["air"] = "[cft_i]"
    usual = UnitsTable().model_dump()
    return {kind: out[kind] for kind in usual if out.get(kind, usual[kind]) != usual[kind]}
