"""Units as exports write them, to UCUM codes."""

from __future__ import annotations

from rowcall.site import ROLES, Role
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
