"""The gas second by second: whether it flowed, and how warm it came in."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.condition.minutes import shared_signal
from rowcall.condition.reconstruct import held_at, linear_at
from rowcall.condition.sampling import LONGEST_BRIDGE_S
from rowcall.condition.state import gas_level
from rowcall.events.operation.dew_hours import DewHours, at_seconds, dew_hours
from rowcall.model import Floats, Signal
from rowcall.site import ROLES, Baghouse, Role

Signals = Mapping[tuple[Role, int, int], Signal]
Mask = npt.NDArray[np.bool_]

_CALM_S = 300  # [s] chosen: noise and digits of a thermocouple hardly count over so long
_CALM_K = 15.0  # [K] chosen: what changes by more meanwhile is no noise, and passes limits quickly
_MIN_CHANGES = 20  # chosen: fewer do not tell how points were kept
_MOST_SCAN_S = 60.0  # chosen: of a historian; a shortest gap beyond it is none
_FORCED = 0.9  # chosen: of the longest gap; a point after one may be kept by time alone
# Chosen, by trial: kept by exception the least change is half of the usual, by slope a tenth
_LEAST, _MIN_FLOOR = 0.05, 0.4


@dataclass(frozen=True, slots=True)
class GasSeconds:
    """Every second of a day, shape (n,) each.

    Attributes:
        is_moving: gas flows.
        is_known: whether it flows is known.
        inlet_c: inlet temperature, nan where it is not known; where several tags show it, that of
            the lowest compartment.
        calm_c: the same without its noise (`calmed`), to compare with limits.
        dew: its dew points, by hour.
    """

    is_moving: Mask
    is_known: Mask
    inlet_c: Floats
    calm_c: Floats
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
            return np.asarray(self.is_moving & (self.calm_c < limit_c))


def gas_seconds(baghouse: Baghouse, signals: Signals, seconds: float) -> GasSeconds | None:
    """Return the gas of a day, None where nothing shows whether it flowed."""
    at_s = np.arange(int(seconds)) + 0.5
    columns: dict[str, Floats] = {}
    inlet = shared_signal(signals, Role.INLET_TEMPERATURE)
    for role in (Role.GAS_FLOW, Role.FAN_SIGNAL, Role.DP):  # only the best of them is asked
        signal = shared_signal(signals, role)
        level = None if signal is None else _level_at(signal, inlet, at_s)
        if level is not None and np.isfinite(level).any():
            columns[str(ROLES[role].minute_column)] = level
            break
    gas = gas_level(baghouse, columns)
    if gas is None:
        return None
    level, limit = gas
    is_known = np.isfinite(level)
    inlet_c = np.full(at_s.size, np.nan) if inlet is None else _line_at(inlet, at_s)
    return GasSeconds(
        is_moving=is_known & (np.nan_to_num(level) > limit),
        is_known=is_known,
        inlet_c=inlet_c,
        calm_c=calmed(inlet_c),
        dew=dew_hours(baghouse, signals, seconds),
    )


def calmed(temperature_c: Floats) -> Floats:
    """Return a temperature by second as its mean over some minutes, save where it changes fast.

    Its noise would pass a limit minutes before and after the gas does; shape (n,), nan unknown.
    """
    mean = _mean_around(temperature_c, _CALM_S // 2)
    padded = np.pad(mean, _CALM_S // 2, mode="edge")
    change = np.abs(padded[_CALM_S // 2 * 2 :] - padded[: -(_CALM_S // 2 * 2)])
    return np.where(change <= _CALM_K, mean, temperature_c)  # nan: at the edge of a gap


def _mean_around(value: Floats, reach: int) -> Floats:
    """Mean of what is known within `reach` before and after each, nan where it is not known."""
    known = np.isfinite(value)
    sums, counts = (
        np.concatenate(([0.0], np.cumsum(one))) for one in (np.where(known, value, 0.0), known)
    )
    at = np.arange(value.size)
    first, last = np.maximum(at - reach, 0), np.minimum(at + reach + 1, value.size)
    total = np.full(value.size, np.nan)
    np.divide(sums[last] - sums[first], counts[last] - counts[first], out=total, where=known)
    return total


def _line_at(signal: Signal, at_s: Floats) -> Floats:
    if signal.step:
        return held_at(signal.time_s, signal.value, at_s, longest_s=signal.longest_hold_s)
    return linear_at(signal.time_s, signal.value, at_s, longest_s=signal.bridge_s)


def _level_at(signal: Signal, inlet: Signal | None, at_s: Floats) -> Floats:
    """A fan goes on within seconds: on a line between points it would seem on from the first.

    Points that a historian kept by exception lie just behind the change, those kept by slope on
    both sides of it. Where flow has too few to tell, those of the inlet temperature may.
    """
    line = _line_at(signal, at_s)
    if signal.step or not signal.time_s.size:
        return line
    asked = (one for one in (signal, inlet) if one is not None)
    kept = (_is_by_exception(one) for one in asked if signal.bridge_s > LONGEST_BRIDGE_S)
    is_exception = next((one for one in kept if one is not None), None)
    if is_exception is not None:
        return _held_between_scans(signal, at_s) if is_exception else line
    between = (signal.time_s[1:] + signal.time_s[:-1]) / 2
    nearest = signal.value[np.searchsorted(between, at_s)]
    return np.where(np.isfinite(line), nearest, np.nan)


def _held_between_scans(signal: Signal, at_s: Floats) -> Floats:
    """Points kept by exception: each change lies between a point and the scan before it."""
    scan_s = min(float(np.diff(signal.time_s).min()), _MOST_SCAN_S)
    return held_at(signal.time_s - scan_s / 2, signal.value, at_s, longest_s=signal.bridge_s)


def _is_by_exception(signal: Signal) -> bool | None:
    """Tell whether each point of a thinned signal is off the one before, and not off a line.

    None where it is not thinned, or too few points tell.
    """
    gap, change = np.diff(signal.time_s), np.abs(np.diff(signal.value))
    if signal.bridge_s <= LONGEST_BRIDGE_S or not gap.size:
        return None
    change = change[gap < _FORCED * gap.max()]
    if change.size < _MIN_CHANGES:
        return None
    return bool(np.quantile(change, _LEAST) > _MIN_FLOOR * np.median(change))
