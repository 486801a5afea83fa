"""Facts of how the unit was run: time running, starts, and gas colder than its water dew point."""

from __future__ import annotations

from collections.abc import Iterator

import polars as pl

from rowcall.condition.state import State
from rowcall.gas.dew_points import water_dew_point_c
from rowcall.model import Fact
from rowcall.site import Baghouse

Line = tuple[int, int, Fact, object]

_MOVING = (State.STARTING.value, State.RUNNING.value, State.STOPPING.value)
_MIN_HALT = 5  # [min] chosen: a shorter one is a dip of the signal


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


def _starts(state: pl.Series) -> int:
    """Count starts after a halt; of one at the day's begin the halt is not known."""
    spans = state.rle().struct.unnest()
    is_halt = (spans["value"] == State.IDLE.value) & (spans["len"] >= _MIN_HALT)
    return int((is_halt.shift(1) & spans["value"].is_in(_MOVING)).sum())
