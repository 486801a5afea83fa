"""Hand-made days of gas: a halt and a start from cold, whose truth is known in closed form."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime

import numpy as np
import polars as pl

from rowcall.condition.minutes import minute_table
from rowcall.events.facts.operation import heat_facts, operation_facts
from rowcall.events.operation.gas_seconds import gas_seconds
from rowcall.events.operation.start_events import find_starts
from rowcall.model import FACT_COLUMNS, BaghouseDay, History, Signal, TagHealth
from rowcall.site import Baghouse, Cleaning, Role

DAY = date(2026, 11, 26)
DAY_S = 86_400.0
WATER_C, ACID_C = 46.1, 136.4  # of 10 % water vapour and 10 ppm SO3
FLOW, TEMPERATURE = (Role.GAS_FLOW, 0, 0), (Role.INLET_TEMPERATURE, 0, 0)
STOP_S, START_S = 36_000.0, 50_000.0
Signals = Mapping[tuple[Role, int, int], Signal]


def house(**other: object) -> Baghouse:
    fixed: dict[str, object] = {
        "id": "BH2",
        "name": "Mill filter",
        "compartments": 1,
        "rows_per_compartment": 10,
        "cleaning": Cleaning(mode="on_time"),
        "gas_moisture": 0.1,
        "gas_so3": 10e-6,
        "running_temperature": "150 Cel",
    }
    return Baghouse.model_validate(fixed | other)


def cold_start(step_s: float, *, heating_s: float = 3600.0, phase_s: float = 0.0) -> Signals:
    """Gas stands from STOP_S to START_S, then comes in from 20 degC on, towards 180 degC."""
    at = np.arange(phase_s, DAY_S, step_s)
    flow = np.where((at < STOP_S) | (at >= START_S), 10.0, 0.0)
    since = np.maximum(at - START_S, 0.0)
    warming = 180.0 - 160.0 * np.exp(-since / heating_s)
    inlet = np.where(at < STOP_S, 180.0, np.where(at < START_S, 20.0, warming))
    return {
        place: Signal(at, value, bridge_s=max(5 * step_s, 60.0))
        for place, value in ((FLOW, flow), (TEMPERATURE, inlet))
    }


def gas_day(baghouse: Baghouse, signals: Signals, history: History | None = None) -> BaghouseDay:
    """Return the day that rules on the gas look at, without pulses."""
    gas, minutes = gas_seconds(baghouse, signals, DAY_S), minute_table(baghouse, signals, DAY_S)
    starts = find_starts(gas, minutes, np.empty(0))
    lines = (
        *operation_facts(minutes, gas, starts),
        *heat_facts(baghouse, signals, DAY_S),
    )
    facts = [
        (compartment, row, fact.column, None if value is None else float(str(value)))
        for compartment, row, fact, value in lines
    ]
    return BaghouseDay(
        day=DAY,
        start=datetime(2026, 11, 26, tzinfo=UTC),
        end=datetime(2026, 11, 27, tzinfo=UTC),
        baghouse=baghouse,
        signals=signals,
        health=tuple(_health(place, signal) for place, signal in signals.items()),
        minutes=minutes,
        pulses=pl.DataFrame(),
        cycles=pl.DataFrame(),
        facts=pl.DataFrame(facts, schema=FACT_COLUMNS, orient="row"),
        history=history or History(),
        starts=starts,
    )


def _health(place: tuple[Role, int, int], signal: Signal) -> TagHealth:
    step_s, n = float(np.median(np.diff(signal.time_s))), signal.time_s.size
    return TagHealth(place[0].value, *place, n, 0, 0, min(1.0, n * step_s / DAY_S), step_s)
