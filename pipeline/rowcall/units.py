"""Units: UCUM codes in site files, exports and findings, one unit a dimension inside rowcall.

For people a quantity is written by the `Scale` of its kind: `units.dp.show(1234.0)` is `1.23 kPa`,
or what `[units]` of the site file says. All of them are `Units`, which rules get by their context
and reports by the day. Findings keep the inside unit in their numbers; only words change.

Inside rowcall every pressure is in Pa, temperature in Cel (degrees Celsius), flow in m3/s, time
in s, area in m2, volume in m3, and every ratio (opacity, moisture) in 1. Gauge and absolute
pressure are not marked in UCUM; header and supply pressures are gauge pressures throughout.

Sources: factors from NIST Special Publication 811 (2008), appendix B; codes from the Unified Code
for Units of Measure (UCUM). The inch of water is the *conventional* one (249.08891 Pa) for
`[in_i'H2O]`, as in UCUM's own table; the inches at 4 Cel and 60 degF differ by 0.1 %.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Collection
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Literal, Self, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Inside = TypeVar("Inside", float, npt.NDArray[np.floating[Any]])


class Dimension(StrEnum):
    """Kinds of quantity rowcall handles; the value is the UCUM code of the inside unit."""

    PRESSURE = "Pa"
    TEMPERATURE = "Cel"
    FLOW = "m3/s"
    TIME = "s"
    AREA = "m2"
    VOLUME = "m3"
    VELOCITY = "m/s"
    RATIO = "1"
    DUST = "kg/m3"
    CURRENT = "A"
    SPEED = "Hz"
    PRESSURE_RATE = "Pa/s"
    HEAT_DOSE = "K.min"
    WARMING = "K{difference}"
    WARMING_RATE = "K/min"
    MOLAR_ENERGY = "kJ/mol"


@dataclass(frozen=True, slots=True)
class Unit:
    """`inside = outside * factor + offset`, in the inside unit of the dimension."""

    code: str
    dimension: Dimension
    factor: float
    offset: float = 0.0

    def to_inside(self, value: float) -> float:
        """Return `value`, given in this unit, in the inside unit of its dimension."""
        return value * self.factor + self.offset

    def from_inside(self, value: float) -> float:
        """Return `value`, given in the inside unit, in this unit."""
        return (value - self.offset) / self.factor


_FOOT_M = 0.3048  # exact, NIST SP 811 B.8
_PSI_PA = 6894.757  # NIST SP 811 B.8
_IN_H2O_PA = 249.08891  # conventional inch of water, UCUM [in_i'H2O]

_TABLE: tuple[Unit, ...] = (
    Unit("Pa", Dimension.PRESSURE, 1.0),
    Unit("hPa", Dimension.PRESSURE, 100.0),
    Unit("kPa", Dimension.PRESSURE, 1e3),
    Unit("MPa", Dimension.PRESSURE, 1e6),
    Unit("mbar", Dimension.PRESSURE, 1e2),
    Unit("bar", Dimension.PRESSURE, 1e5),
    Unit("mm[H2O]", Dimension.PRESSURE, 9.80665),
    Unit("[in_i'H2O]", Dimension.PRESSURE, _IN_H2O_PA),
    Unit("[psi]", Dimension.PRESSURE, _PSI_PA),
    Unit("Cel", Dimension.TEMPERATURE, 1.0),
    Unit("[degF]", Dimension.TEMPERATURE, 1 / 1.8, -32 / 1.8),
    Unit("K", Dimension.TEMPERATURE, 1.0, -273.15),
    Unit("m3/s", Dimension.FLOW, 1.0),
    Unit("m3/min", Dimension.FLOW, 1 / 60),
    Unit("m3/h", Dimension.FLOW, 1 / 3600),
    Unit("[ft_i]3/min", Dimension.FLOW, _FOOT_M**3 / 60),
    Unit("[cft_i]/min", Dimension.FLOW, _FOOT_M**3 / 60),  # UCUM: [cft_i] is [ft_i]3
    Unit("ms", Dimension.TIME, 1e-3),
    Unit("s", Dimension.TIME, 1.0),
    Unit("min", Dimension.TIME, 60.0),
    Unit("h", Dimension.TIME, 3600.0),
    Unit("d", Dimension.TIME, 86400.0),
    Unit("m2", Dimension.AREA, 1.0),
    Unit("[ft_i]2", Dimension.AREA, _FOOT_M**2),
    Unit("L", Dimension.VOLUME, 1e-3),
    Unit("m3", Dimension.VOLUME, 1.0),
    Unit("[ft_i]3", Dimension.VOLUME, _FOOT_M**3),
    Unit("[cft_i]", Dimension.VOLUME, _FOOT_M**3),
    Unit("m/s", Dimension.VELOCITY, 1.0),
    Unit("m/min", Dimension.VELOCITY, 1 / 60),
    Unit("[ft_i]/min", Dimension.VELOCITY, _FOOT_M / 60),
    Unit("1", Dimension.RATIO, 1.0),
    Unit("%", Dimension.RATIO, 1e-2),
    Unit("[ppm]", Dimension.RATIO, 1e-6),
    Unit("mg/m3", Dimension.DUST, 1e-6),
    Unit("g/m3", Dimension.DUST, 1e-3),
    Unit("kg/m3", Dimension.DUST, 1.0),
    Unit("[gr]/[ft_i]3", Dimension.DUST, 6.479891e-5 / _FOOT_M**3),
    Unit("A", Dimension.CURRENT, 1.0),
    Unit("Hz", Dimension.SPEED, 1.0),
    Unit("{rev}/min", Dimension.SPEED, 1 / 60),  # UCUM gives the note in braces no size
    Unit("Pa/s", Dimension.PRESSURE_RATE, 1.0),
    Unit("Pa/d", Dimension.PRESSURE_RATE, 1 / 86400),
    Unit("K.min", Dimension.HEAT_DOSE, 1.0),  # differences of temperature: K, not Cel
    Unit("K/min", Dimension.WARMING_RATE, 1.0),
    Unit("kJ/mol", Dimension.MOLAR_ENERGY, 1.0),
    Unit("K{difference}", Dimension.WARMING, 1.0),  # UCUM gives the note in braces no size
)
# Print symbols of UCUM codes; codes that read well as they are stand for themselves.
_SYMBOLS = {
    "Cel": "°C",
    "[degF]": "°F",
    "mm[H2O]": "mm w.c.",
    "[in_i'H2O]": "in. w.c.",
    "[psi]": "psi",
    "m3/s": "m³/s",
    "m3/min": "m³/min",
    "m3/h": "m³/h",
    "[ft_i]3/min": "ft³/min",
    "[cft_i]/min": "acfm",
    "m2": "m²",
    "[ft_i]2": "ft²",
    "m3": "m³",
    "[ft_i]3": "ft³",
    "[cft_i]": "ft³",
    "[ft_i]/min": "ft/min",
    "1": "",
    "[ppm]": "ppm",
    "kg/m3": "kg/m³",
    "mg/m3": "mg/m³",
    "g/m3": "g/m³",
    "[gr]/[ft_i]3": "gr/ft³",
    "{rev}/min": "rpm",
    "K.min": "K·min",
    "K{difference}": "K",
}
# What people write for a unit that no close spelling leads to.
_MEANT = {
    "rpm": "{rev}/min",
    "{rpm}": "{rev}/min",
    "K": "K{difference}",
    "Cel": "K{difference}",
    "[degF]": "K{difference}",
}

UNITS: dict[str, Unit] = {unit.code: unit for unit in _TABLE}

_QUANTITY = re.compile(r"\s*([-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)\s*(\S+)?\s*")


def codes(dimensions: Collection[Dimension]) -> list[str]:
    """Return the UCUM codes that a site file may use for these dimensions."""
    return [unit.code for unit in _TABLE if unit.dimension in dimensions]


def find_unit(code: str, dimensions: Collection[Dimension] = tuple(Dimension)) -> Unit:
    """Return the unit of a UCUM code that measures one of `dimensions`.

    Raises:
        ValueError: not a known code, or of another kind; the message says what is allowed.
    """
    unit = UNITS.get(code)
    allowed = codes(dimensions)
    if unit is not None and unit.dimension in dimensions:
        return unit
    near = [_MEANT[code]] if _MEANT.get(code) in allowed else []
    near = near or difflib.get_close_matches(code, allowed, n=2, cutoff=0.5)
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    known = "is not known" if unit is None else "does not fit here"
    raise ValueError(f"unit {code!r} {known}{hint} (allowed: {', '.join(allowed)})")


def parse_quantity(text: object, dimension: Dimension) -> float:
    """Read a quantity such as `"6 bar"` and return it in the inside unit of `dimension`.

    A ratio may leave the unit out (`"0.25"`); everything else must name one.

    Raises:
        ValueError: not a number with a unit of that dimension; the message says what is allowed.
    """
    allowed = ", ".join(codes([dimension]))
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        text = repr(text)
    match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise ValueError(f"expected a number and a unit in quotes, with one of: {allowed}")
    number, code = match.groups()
    if code is None:
        if dimension is not Dimension.RATIO:
            raise ValueError(f"the unit is missing; write one of: {allowed}")
        code = "1"
    value = find_unit(code, [dimension]).to_inside(float(number))
    if not math.isfinite(value):
        raise ValueError(f"{number} is too large")
    return value


def show(value: float, code: str, digits: int) -> str:
    """Write a quantity of the inside unit for people: `show(5.5, "m3/h", 0)` -> `"19,800 m³/h"`."""
    return f"{number(find_unit(code).from_inside(value), digits)} {symbol(code)}".strip()


def symbol(code: str) -> str:
    """Return the print symbol of a UCUM code."""
    return _SYMBOLS.get(code, code)


def percent(share: float, digits: int = 0) -> str:
    """Write a share for people: `percent(0.634)` -> `"63 %"`."""
    return f"{number(100 * share, digits)} %"


def number(value: float, digits: int) -> str:
    """Write a number with thousands separated, and no minus before a zero."""
    return f"{round(value, digits) + 0.0:,.{digits}f}"


def significant(value: float, digits: int = 3, *, padded: bool = False) -> str:
    """Write a number with so many significant digits, without exponent, thousands separated.

    What is below 1e-6 is written as 0.

    padded: with zeros at its end, so that numbers of one kind have equally many digits.
    """
    rounded = float(f"{value:.{digits}g}")
    decimals = digits - 1 - math.floor(math.log10(abs(rounded))) if rounded else 0
    text = number(rounded, min(max(decimals, 0), 6))
    return text if padded or "." not in text else text.rstrip("0").rstrip(".")


DpUnit = Literal["kPa", "Pa", "mbar", "[in_i'H2O]"]
PressureUnit = Literal["bar", "kPa", "[psi]"]
TemperatureUnit = Literal["Cel", "[degF]"]
GasFlowUnit = Literal["m3/h", "m3/s", "[cft_i]/min"]
AirUnit = Literal["m3", "[cft_i]"]


@dataclass(frozen=True, slots=True)
class Scale:
    """How one kind of quantity is written: `shown = (inside - offset) / factor`, then words.

    decimals: chosen so that one step more or less of the last one matters to nobody; None: three
        significant digits, for what spans powers of ten.
    """

    factor: float
    words: str
    decimals: int | None = None
    offset: float = 0.0

    def of(self, inside: Inside) -> Inside:
        """Return what is in the inside unit as numbers of this scale, to be drawn."""
        return (inside - self.offset) / self.factor

    def number(self, inside: float, finer: int = 0, *, signed: bool = False) -> str:
        """Write a quantity of the inside unit without its unit.

        Args:
            finer: so many digits more than usual.
            signed: with a plus where it is not below zero.
        """
        value = self.of(inside)
        if self.decimals is None:
            return significant(value, 3 + finer, padded=True)
        text = number(value, max(0, self.decimals + finer))
        return f"+{text}" if signed and not text.startswith("-") else text

    def show(self, inside: float, finer: int = 0) -> str:
        """Write a quantity of the inside unit."""
        return f"{self.number(inside, finer)} {self.words}".rstrip()


def _scale(code: str, decimals: int | None = None, words: str = "") -> Scale:
    unit = UNITS[code]
    return Scale(unit.factor, words or symbol(code), decimals, unit.offset)


_DP: dict[DpUnit, Scale] = {
    "kPa": _scale("kPa", 2),
    "Pa": _scale("Pa", 0),
    "mbar": _scale("mbar", 1),
    "[in_i'H2O]": _scale("[in_i'H2O]", 2),
}
_DP_A_DAY: dict[DpUnit, Scale] = {
    "kPa": _scale("Pa", 1, "Pa a day"),
    "Pa": _scale("Pa", 1, "Pa a day"),
    "mbar": _scale("mbar", 3, "mbar a day"),
    "[in_i'H2O]": _scale("[in_i'H2O]", 3, "in. w.c. a day"),
}
_GAUGE: dict[PressureUnit, Scale] = {
    "bar": _scale("bar", 2, "bar gauge"),
    "kPa": _scale("kPa", 0, "kPa gauge"),
    "[psi]": _scale("[psi]", 1, "psig"),
}
_GAS_FLOW: dict[GasFlowUnit, Scale] = {
    "m3/h": _scale("m3/h", 0),
    "m3/s": _scale("m3/s", 1),
    "[cft_i]/min": _scale("[cft_i]/min", 0),
}
_AIR_FLOW: dict[AirUnit, Scale] = {
    "m3": _scale("m3/h", words="m³ of free air an hour"),
    "[cft_i]": _scale("[cft_i]/min", words="ft³ of free air a minute"),
}
_HEAT_DOSE: dict[TemperatureUnit, str] = {"Cel": "degree-minutes", "[degF]": "°F-minutes"}


@dataclass(frozen=True, slots=True)
class Units:
    """How every kind of quantity is written at a plant; made by `of`.

    Attributes:
        dp, dp_a_day: DP [Pa], and what it changes by in a day [Pa/d].
        drag: DP over face velocity, in feet a minute where gas flow is in cubic feet [Pa.s/m].
        gauge, pressure: of headers and supply, and differences of such [Pa].
        temperature, warming: a temperature [Cel]; a difference, 1.8 times as many degF as K [K].
        heat_dose: time above a temperature times by how much [K.min].
        gas_flow: [m3/s].
        air, air_flow: of free air [m3, m3/s].
    """

    dp: Scale
    dp_a_day: Scale
    drag: Scale
    gauge: Scale
    pressure: Scale
    temperature: Scale
    warming: Scale
    heat_dose: Scale
    gas_flow: Scale
    air: Scale
    air_flow: Scale

    @classmethod
    def of(
        cls,
        *,
        dp: DpUnit,
        pressure: PressureUnit,
        temperature: TemperatureUnit,
        gas_flow: GasFlowUnit,
        air: AirUnit,
    ) -> Self:
        """Return the scales of the units that a site file names."""
        factor = UNITS[temperature].factor
        is_us = gas_flow == "[cft_i]/min"
        velocity, over = ("[ft_i]/min", "/(ft/min)") if is_us else ("m/s", "·s/m")
        return cls(
            dp=_DP[dp],
            dp_a_day=_DP_A_DAY[dp],
            drag=Scale(UNITS[dp].factor / UNITS[velocity].factor, f"{symbol(dp)}{over}"),
            gauge=_GAUGE[pressure],
            pressure=_scale(pressure, _GAUGE[pressure].decimals),
            temperature=_scale(temperature, 0),
            warming=Scale(factor, "K" if temperature == "Cel" else symbol(temperature), 0),
            heat_dose=Scale(factor, _HEAT_DOSE[temperature], 0),
            gas_flow=_GAS_FLOW[gas_flow],
            air=_scale(air),
            air_flow=_AIR_FLOW[air],
        )
