"""Facts of the trade used as defaults, each in one place with its source."""

from __future__ import annotations

from dataclasses import dataclass

from rowcall.units import Dimension, parse_quantity


@dataclass(frozen=True, slots=True)
class Fact:
    """One default of the trade: the quantity as a person writes it, what it is, its source."""

    text: str
    dimension: Dimension
    meaning: str
    source: str

    @property
    def value(self) -> float:
        """The quantity in the inside unit of its dimension."""
        return parse_quantity(self.text, self.dimension)


_COMMON = "common practice, no source"
# Not checked against the text itself, so not a reference for a test.
_MEMORY = "value from memory"

PULSE_TIME = Fact(
    "100 ms",
    Dimension.TIME,
    "pulse length: how long a valve is energised",
    f"{_MEMORY}: upper end of 0.03-0.1 s, EPA-452/F-03-025",
)
ROW_INTERVAL = Fact("20 s", Dimension.TIME, "time between two rows, cleaning on time", _COMMON)
START_DP = Fact(
    "4 [in_i'H2O]", Dimension.PRESSURE, "DP at which cleaning on demand starts", _COMMON
)
STOP_DP = Fact("3 [in_i'H2O]", Dimension.PRESSURE, "DP at which cleaning on demand stops", _COMMON)
PULSE_PRESSURE_GLASS = (
    Fact("50 [psi]", Dimension.PRESSURE, "starting header pressure, woven glass, low", _COMMON),
    Fact("60 [psi]", Dimension.PRESSURE, "starting header pressure, woven glass, high", _COMMON),
)
PULSE_PRESSURE_FELT = (
    Fact("80 [psi]", Dimension.PRESSURE, "starting header pressure, felts, low", _COMMON),
    Fact("90 [psi]", Dimension.PRESSURE, "starting header pressure, felts, high", _COMMON),
)
VALVE_OPEN = Fact("150 ms", Dimension.TIME, "how long a sound valve is open", _COMMON)
RECOVERY_LONGEST = Fact(
    "15 s", Dimension.TIME, "longest usual time until 95 % of a drop is recovered", _COMMON
)
ATMOSPHERE = Fact(
    "101325 Pa",
    Dimension.PRESSURE,
    "pressure of free air",
    "standard atmosphere, exact by definition",
)
