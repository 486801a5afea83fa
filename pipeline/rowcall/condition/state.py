"""The operating state of the unit in each minute: idle, starting, running, stopping or unknown.

Gas flow shows it best, a fan signal next, and DP where there is neither. Faults are judged only
in the state in which they mean something: a stopped unit is not one with low DP.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats
from rowcall.site import Baghouse

_MOVING_SHARE = 0.2  # chosen: below a fifth of its usual level, gas is not being filtered
_MOVING_DP_PA = 100.0  # chosen: with neither flow nor fan, this much DP shows that gas moves
_START_MIN = 15  # chosen: a start lasts this long where no running temperature is stated
_STOP_MIN = 15  # chosen: and a stop is looked for in this long before the halt
_SLOWING_SHARE = 0.7  # chosen: flow below this share of its median before a halt is the stop

Mask = npt.NDArray[np.bool_]


class State(StrEnum):
    """What the unit is doing."""

    IDLE = "idle"
    STARTING = "starting"
    RUNNING = "running"
    STOPPING = "stopping"
    UNKNOWN = "unknown"


def operating_state(baghouse: Baghouse, columns: Mapping[str, Floats], n_minutes: int) -> list[str]:
    """Return the state of each minute.

    Args:
        columns: minute means, shape (n_minutes,), by column name (see `site.roles`).
    """
    gas = gas_level(baghouse, columns)
    if gas is None:
        return [State.UNKNOWN.value] * n_minutes
    level, limit = gas
    moving = np.nan_to_num(level, nan=-np.inf) > limit
    warm = _warm(baghouse, columns, n_minutes)
    state = np.full(n_minutes, State.IDLE.value, dtype=object)
    for begin, end in runs(moving):
        first, last = _warm_span(warm, begin, end)
        if warm is None:
            # After a gap in the data, and at the day's begin, the unit may long have been running.
            is_start = begin > 0 and np.isfinite(level[begin - 1])
            first = begin + _START_MIN if is_start else begin
            last = _slowing_from(level, begin, end) if end < n_minutes else end
        state[begin:end] = State.RUNNING.value
        state[begin : min(first, end)] = State.STARTING.value
        state[max(last, first) : end] = State.STOPPING.value
    state[~np.isfinite(level)] = State.UNKNOWN.value
    return [str(value) for value in state]


def gas_level(baghouse: Baghouse, columns: Mapping[str, Floats]) -> tuple[Floats, float] | None:
    """Return the best available signal of moving gas and the level above which gas moves.

    Args:
        columns: of equal shapes, by column name (see `site.roles`).
    """
    flow, fan, dp = (columns.get(name) for name in ("gas_flow_m3_s", "fan_signal", "dp_pa"))
    if flow is not None and np.isfinite(flow).any():
        usual = baghouse.design_flow or float(np.nanpercentile(flow, 95))
        return flow, baghouse.running_flow or _MOVING_SHARE * usual
    if fan is not None and np.isfinite(fan).any():
        return fan, _MOVING_SHARE * float(np.nanpercentile(fan, 95))
    if dp is not None and np.isfinite(dp).any():
        return dp, _MOVING_DP_PA
    return None


def _warm(baghouse: Baghouse, columns: Mapping[str, Floats], n_minutes: int) -> Mask | None:
    limit, inlet = baghouse.running_temperature, columns.get("inlet_temperature_c")
    if limit is None or inlet is None:
        return None
    return np.nan_to_num(inlet, nan=-np.inf) >= limit if inlet.size == n_minutes else None


def _warm_span(warm: Mask | None, begin: int, end: int) -> tuple[int, int]:
    """Return the first warm minute and the one after the last warm minute of a run of gas."""
    if warm is None:
        return begin, end
    hot = np.flatnonzero(warm[begin:end])
    return (begin + int(hot[0]), begin + int(hot[-1]) + 1) if hot.size else (end, end)


def _slowing_from(level: Floats, begin: int, end: int) -> int:
    """Return the minute from which the flow falls towards the halt at `end`."""
    usual = float(np.nanmedian(level[begin:end]))
    first = end
    while first > max(begin, end - _STOP_MIN) and level[first - 1] < _SLOWING_SHARE * usual:
        first -= 1
    return first


def runs(mask: Mask) -> Iterator[tuple[int, int]]:
    """Yield [begin, end) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
