"""Facts of how the unit was run: time running, starts, and gas colder than its dew points."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import polars as pl

from rowcall.condition.state import State
from rowcall.events.operation.gas_seconds import GasSeconds, Signals
from rowcall.events.operation.heat import excess
from rowcall.model import Fact, Floats
from rowcall.site import Baghouse, Role

Line = tuple[int, int, Fact, object]

_MAX_UNKNOWN = 0.01  # chosen: in a quarter of an hour no start hides that is worth a word


def operation_facts(
    minutes: pl.DataFrame, gas: GasSeconds | None, starts: pl.DataFrame
) -> Iterator[Line]:
    """Yield them; starts and cold gas only where they are known."""
    yield 0, 0, Fact.RUNNING_MIN, (minutes["state"] == State.RUNNING.value).sum()
    if gas is None:
        return
    began = starts.filter(kind="start")
    yield 0, 0, Fact.N_STARTS, began.height
    if not began.is_empty():
        yield 0, 0, Fact.START_MIN, ((began["end_s"] - began["begin_s"]) / 60).max()
        yield 0, 0, Fact.START_RAMP_K_MIN, began["ramp_k_min"].max()
        yield 0, 0, Fact.ACID_START_MIN, (began["acid_s"] / 60).max()
    for fact, limit_c in zip(
        (Fact.COLD_GAS_MIN, Fact.ACID_GAS_MIN), (gas.water_c, gas.acid_c), strict=True
    ):
        if np.isfinite(limit_c).any():
            yield 0, 0, fact, _minutes_below(gas, limit_c)


def heat_facts(baghouse: Baghouse, signals: Signals, seconds: float) -> Iterator[Line]:
    """Yield how much hotter than its continuous limit the gas was, inlet by inlet."""
    limits_c = baghouse.temperature_limits()
    for (role, compartment, _), signal in signals.items():
        if role is Role.INLET_TEMPERATURE and limits_c is not None:
            dose = excess(signal, limits_c[0], seconds).degree_minutes
            yield compartment, 0, Fact.HEAT_DOSE, dose


def _minutes_below(gas: GasSeconds, limit_c: Floats) -> float | None:
    """Return the minutes of cold gas; none at all only where nearly all of the day is known."""
    is_cold = gas.below(limit_c)
    may_be_cold = ~(gas.inlet_c >= limit_c) & (gas.is_moving | ~gas.is_known)
    is_open = np.mean(may_be_cold & ~is_cold) > _MAX_UNKNOWN
    return None if is_open and not is_cold.any() else float(is_cold.sum()) / 60
