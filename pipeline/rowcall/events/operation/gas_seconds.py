"""The gas second by second: whether it flowed, and how warm it came in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.condition.minutes import shared_signal
from rowcall.condition.reconstruct import held_at, linear_at
from rowcall.condition.state import gas_level
from rowcall.events.operation.dew_hours import DewHours, at_seconds, dew_hours
from rowcall.model import Floats, Signal
from rowcall.site import ROLES, Baghouse, Role

Signals = Mapping[tuple[Role, int, int], Signal]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class GasSeconds:
    """Every second of a day, shape (n,) each.

    Attributes:
        is_moving: gas flows.
        is_known: whether it flows is known.
        inlet_c: inlet temperature, nan where it is not known; where several tags show it, that of
            the lowest compartment.
        dew: its dew points, by hour.
    """

    is_moving: Mask
    is_known: Mask
    inlet_c: Floats
    dew: DewHours

    @property
    def water_c(self) -> Floats:
        """The water dew point by second, nan where it is not known."""
        return at_seconds(self.dew.water_c, self.inlet_c.size)

    @property
    def acid_c(self) -> Floats:
        """The acid dew point by second, by the middle one of its correlations."""
        return at_seconds(self.dew.acid_c, self.inlet_c.size)

    def below(self, limit_c: Floats) -> Mask:
        """Return the seconds in which gas flowed that was colder than a limit [degC], (n,)."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.is_moving & (self.inlet_c < limit_c))


def gas_seconds(baghouse: Baghouse, signals: Signals, seconds: float) -> GasSeconds | None:
    """Return the gas of a day, None where nothing shows whether it flowed."""
    at_s = np.arange(int(seconds)) + 0.5
    columns: dict[str, Floats] = {}
    for role in (Role.GAS_FLOW, Role.FAN_SIGNAL, Role.DP):  # only the best of them is asked
        signal = shared_signal(signals, role)
        level = None if signal is None else _nearest_at(signal, at_s)
        if level is not None and np.isfinite(level).any():
            columns[str(ROLES[role].minute_column)] = level
            break
    gas = gas_level(baghouse, columns)
    if gas is None:
        return None
    level, limit = gas
    is_known = np.isfinite(level)
    inlet = shared_signal(signals, Role.INLET_TEMPERATURE)
    return GasSeconds(
        is_moving=is_known & (np.nan_to_num(level) > limit),
        is_known=is_known,
        inlet_c=np.full(at_s.size, np.nan) if inlet is None else _line_at(inlet, at_s),
        dew=dew_hours(baghouse, signals, seconds),
    )


def _line_at(signal: Signal, at_s: Floats) -> Floats:
    if signal.step:
        return held_at(signal.time_s, signal.value, at_s, longest_s=signal.longest_hold_s)
    return linear_at(signal.time_s, signal.value, at_s, longest_s=signal.bridge_s)


def _nearest_at(signal: Signal, at_s: Floats) -> Floats:
    """A fan goes on within seconds: on a line between points it would seem on from the first."""
    line = _line_at(signal, at_s)
    if signal.step or not signal.time_s.size:
        return line
    between = (signal.time_s[1:] + signal.time_s[:-1]) / 2
    nearest = signal.value[np.searchsorted(between, at_s)]
    return np.where(np.isfinite(line), nearest, np.nan)
