"""Days of cleaning control made by hand: pulses, DP and state as a test wants them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl

from rowcall.model import FACT_COLUMNS, BaghouseDay, Fact, Floats, History, Signal, TagHealth
from rowcall.site import Baghouse, Role, UnitsTable
from rowcall.units import Units

DAY = date(2026, 3, 2)
ROWS = 6
START_PA, STOP_PA = 1200.0, 900.0
N_MINUTES = 1440
Spans = Sequence[tuple[float, float]]


def house(mode: str = "on_demand", *, interval: str = "10 s", **more: Any) -> Baghouse:
    """Return a baghouse of one compartment and six rows, with a step counter."""
    cleaning = {"mode": mode, "start_dp": "1.2 kPa", "stop_dp": "0.9 kPa", "interval": interval}
    tags = [
        {"tag": "DP", "role": "dp", "unit": "Pa"},
        {"tag": "STEP", "role": "step_counter", "unit": "1", "sample": "on change"},
        {"tag": "HP", "role": "header_pressure", "unit": "Pa"},
    ]
    return Baghouse.model_validate(
        {
            "id": "BH1",
            "name": "Kiln filter",
            "compartments": 1,
            "rows_per_compartment": ROWS,
            "cleaning": cleaning,
            "tag": tags,
            **more,
        }
    )


def each(step_s: float, spans: Spans = ((0, N_MINUTES),)) -> Floats:
    """Return a pulse every so many seconds within spans [min], but the last second of each."""
    parts = [np.arange(begin * 60 + 1, end * 60 - 1, step_s) for begin, end in spans]
    return np.concatenate(parts)


def minutes(default: float, *spans: tuple[float, float, float]) -> Floats:
    """Return a level minute by minute: a default, and others in spans (begin, end, level)."""
    level = np.full(N_MINUTES, default)
    for begin, end, value in spans:
        level[int(begin) : int(end)] = value
    return level


def made(
    baghouse: Baghouse,
    pulse_s: Floats,
    dp_pa: Floats,
    *,
    idle: Spans = (),
    facts: Mapping[Fact, float] | None = None,
    history: History | None = None,
    order: Sequence[int] = range(1, ROWS + 1),
    header: Signal | None = None,
    shift: int = 0,
    units: Units | None = None,
    **more: Any,
) -> BaghouseDay:
    """Return a day with these pulses [s] and this DP, shape (1440,) [Pa]; idle: spans [min]."""
    state = np.full(N_MINUTES, "running", object)
    for begin, end in idle:
        state[int(begin) : int(end)] = "idle"
    rows = np.resize(np.array(order), pulse_s.size)
    lines = [(0, 0, fact.column, value) for fact, value in (facts or {}).items()]
    fine_s = np.arange(0.0, 86_400.0, 10.0)
    roles = (Role.DP, Role.STEP_COUNTER, Role.HEADER_PRESSURE)
    begun = datetime(2026, 3, 2, tzinfo=UTC) + timedelta(days=shift)
    known: dict[str, Any] = {
        "day": DAY + timedelta(days=shift),
        "start": begun,
        "end": begun + timedelta(days=1),
        "baghouse": baghouse,
        "signals": {
            (Role.DP, 0, 0): Signal(fine_s, np.repeat(dp_pa, 6)),
            (Role.STEP_COUNTER, 0, 0): Signal(pulse_s, rows.astype(np.float64), step=True),
            (Role.HEADER_PRESSURE, 0, 0): header or Signal(fine_s, np.full(fine_s.size, 6e5)),
        },
        "health": tuple(TagHealth(one, one, 0, 0, 9, 0, 0, 1.0, 10.0) for one in roles),
        "minutes": pl.DataFrame(
            {"minute": np.arange(N_MINUTES), "state": state.tolist(), "dp_pa": dp_pa}
        ).with_columns(pl.col("dp_pa").fill_nan(None)),
        "pulses": pl.DataFrame({"time_s": pulse_s, "compartment": 1, "row": rows}),
        "cycles": pl.DataFrame(),
        "facts": pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row"),
        "history": history or History(),
        "units": units or UnitsTable().scales,
    }
    return BaghouseDay(**{**known, **more})


def bouts(pauses_s: Sequence[float], n_pulses: int = 24, step_s: float = 10.0) -> Floats:
    """Return bouts of pulses with pauses between them, from 60 s on."""
    at, parts = 60.0, []
    for pause in (*pauses_s, 0.0):
        parts.append(at + step_s * np.arange(n_pulses))
        at = parts[-1][-1] + pause
    return np.concatenate(parts)
