"""Facts of how the unit was run: time running, starts, and gas colder than its water dew point."""

from __future__ import annotations

import math
from collections.abc import Iterator

import polars as pl

from rowcall import trade
from rowcall.condition.state import State
from rowcall.model import Fact
from rowcall.site import Baghouse

Line = tuple[int, int, Fact, object]

_MOVING = (State.STARTING.value, State.RUNNING.value, State.STOPPING.value)
_MIN_HALT = 5  # [min] chosen: a shorter one is a dip of the signal
# Magnus formula over water, -45 to 60 degC: Sonntag 1990, as in WMO-No. 8 (value from memory).
_MAGNUS_PA, _MAGNUS_FACTOR, _MAGNUS_C = 611.2, 17.62, 243.12


def operation_facts(baghouse: Baghouse, minutes: pl.DataFrame) -> Iterator[Line]:
    """Yield them from the minute table; starts and cold gas only where they are known."""
    state = minutes["state"]
    yield 0, 0, Fact.RUNNING_MIN, (state == State.RUNNING.value).sum()
    if not (state == State.UNKNOWN.value).all():
        yield 0, 0, Fact.N_STARTS, _starts(state)
    if baghouse.gas_moisture and "inlet_temperature_c" in minutes.columns:
        dew_c = water_dew_point_c(baghouse.gas_moisture)
        is_moving = state.replace(State.UNKNOWN.value, None).is_in(_MOVING)
        is_cold = is_moving & (minutes["inlet_temperature_c"] < dew_c)
        if is_cold.any() or not is_cold.null_count():  # none at all only where all is known
            yield 0, 0, Fact.COLD_GAS_MIN, is_cold.sum()


def water_dew_point_c(moisture_frac: float) -> float:
    """Return the water dew point [degC] at 1 atm of a gas with a volume share of water vapour."""
    log = math.log(moisture_frac * trade.ATMOSPHERE.value / _MAGNUS_PA)
    return _MAGNUS_C * log / (_MAGNUS_FACTOR - log)


def _starts(state: pl.Series) -> int:
    """Count starts after a halt; of one at the day's begin the halt is not known."""
    spans = state.rle().struct.unnest()
    is_halt = (spans["value"] == State.IDLE.value) & (spans["len"] >= _MIN_HALT)
    return int((is_halt.shift(1) & spans["value"].is_in(_MOVING)).sum())
