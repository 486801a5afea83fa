"""Units as exports write them, to UCUM codes."""

from __future__ import annotations

from rowcall.site import ROLE_DIMENSIONS, Role
from rowcall.units import UNITS

# Compared in lower case, without blanks, with raised digits on the line. A unit of gas flow "at
# normal conditions" is left out on purpose: it is another quantity than the flow in the duct.
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
    "{rpm}": "rpm 1/min",
    "1": "- bool on/off 0/1",
    "[gr]/[ft_i]3": "gr/ft3",
    "[ppm]": "ppm",
}
_WRITTEN = {written: code for code, many in _ALSO.items() for written in many.split()}
_BY_LOWER = {code.lower(): code for code in UNITS}
# What to write where the export says nothing: units common in the trade, each from the median
# value on from which it is the likelier one; every use of this table is marked to be checked.
_USUAL: dict[Role, tuple[tuple[float, str], ...]] = {
    Role.DP: ((100.0, "Pa"), (8.0, "mbar"), (3.0, "[in_i'H2O]"), (0.0, "kPa")),
    Role.INLET_TEMPERATURE: ((0.0, "Cel"),),
    Role.OUTLET_TEMPERATURE: ((0.0, "Cel"),),
    Role.HEADER_PRESSURE: ((150.0, "kPa"), (20.0, "[psi]"), (0.0, "bar")),
    Role.SUPPLY_PRESSURE: ((150.0, "kPa"), (20.0, "[psi]"), (0.0, "bar")),
    Role.OPACITY: ((0.0, "%"),),
    Role.DUST_SIGNAL: ((0.0, "%"),),
    Role.GAS_FLOW: ((1000.0, "m3/h"), (0.0, "m3/s")),
    Role.FAN_SIGNAL: ((400.0, "{rpm}"), (0.0, "A")),
}


def unit_of(written: str, role: Role, middle: float) -> tuple[str, bool]:
    """Return a UCUM code that fits the role, and whether the export's own text says so.

    Bits and counters have no unit: theirs is `1`, and certain. `middle` is the median value.
    """
    usual = _USUAL.get(role)
    if usual is None:
        return "1", True
    plain = "".join(written.translate(str.maketrans("\u00b2\u00b3", "23")).lower().split())
    code = written if written in UNITS else _WRITTEN.get(plain) or _BY_LOWER.get(plain)
    if code is not None and UNITS[code].dimension in ROLE_DIMENSIONS[role]:
        return code, True
    return next((likely for lowest, likely in usual if middle >= lowest), usual[-1][1]), False
