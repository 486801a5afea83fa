"""Days of a casing that loses heat and lets air in, by the closed form of one stream of gas.

T_out = T_a + (T_in - T_a) exp(-loss / flow) / (1 + leak), compartment by compartment, with noise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache
from typing import Any

import numpy as np
import polars as pl

from rowcall.condition.minutes import minute_table
from rowcall.events.facts.operation import cooling_facts, peer_facts
from rowcall.events.operation.gas_seconds import Mask
from rowcall.model import FACT_COLUMNS, HISTORY_COLUMNS, BaghouseDay, Fact, Floats, History, Signal
from rowcall.model import TagHealth as Health
from rowcall.site import Baghouse, Role

DAY = date(2026, 11, 26)
DAY_S, STEP_S = 86_400.0, 300.0
AT = np.arange(0.0, DAY_S, STEP_S)
Place = tuple[Role, int, int]


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A day: SI units, degC.

    loss: UA / (rho c) of each compartment [m3/s]; leak: share of air that leaks into each.
    pulses, dp: of each compartment over usual; off: hours off line of each.
    """

    flow: float = 10.0
    swing: float = 0.15
    inlet: float = 150.0
    ambient: float = 15.0
    loss: tuple[float, ...] = (1.0, 0.8, 0.8)
    leak: tuple[float, ...] = (0.0, 0.0, 0.0)
    pulses: tuple[float, ...] = (1.0, 1.0, 1.0)
    dp: tuple[float, ...] = (1.0, 1.0, 1.0)
    off: tuple[float, ...] = (0.0, 0.0, 0.0)
    stop_h: float = 0.0
    tags: tuple[Role, ...] = (Role.AMBIENT_TEMPERATURE,)
    lines: tuple[tuple[int, int, Fact, object], ...] = ()

    @property
    def house(self) -> Baghouse:
        return Baghouse.model_validate(
            {
                "id": "BH2",
                "name": "Mill",
                "compartments": len(self.loss),
                "rows_per_compartment": [10, 10, 5][: len(self.loss)],
                "cleaning": {"mode": "on_time"},
            }
        )


def signals_of(plan: Plan, seed: int) -> dict[Place, Signal]:
    rng = np.random.default_rng(seed)

    def noise(sd: float) -> Floats:
        return rng.normal(0, sd, AT.size)

    stands = DAY_S - 3600 * plan.stop_h <= AT
    since_h = np.maximum(AT - (DAY_S - 3600 * plan.stop_h), 0) / 3600
    flow = plan.flow * (1 + plan.swing * np.sin(AT / 9000 + seed))
    ambient = plan.ambient + 3 * np.sin(2 * np.pi * AT / DAY_S)
    values: dict[Place, Floats] = {
        (Role.GAS_FLOW, 0, 0): np.where(stands, 0.0, flow) + noise(0.05),
        (Role.INLET_TEMPERATURE, 0, 0): _cooled(plan.inlet, ambient, stands, since_h) + noise(0.5),
    }
    if Role.AMBIENT_TEMPERATURE in plan.tags:
        values[Role.AMBIENT_TEMPERATURE, 0, 0] = ambient + noise(0.3)
    for c, (loss, leak) in enumerate(zip(plan.loss, plan.leak, strict=True), start=1):
        out = ambient + (plan.inlet - ambient) * np.exp(-loss / flow) / (1 + leak)
        is_off = 3600 * plan.off[c - 1] > AT
        out = np.where(is_off, 60.0, _cooled(out, ambient, stands, since_h))
        values[Role.OUTLET_TEMPERATURE, c, 0] = out + noise(0.5)
        values[Role.DP, c, 0] = 1000 * plan.dp[c - 1] * flow / plan.flow + noise(5)
        values[Role.COMPARTMENT_ON_LINE, c, 0] = np.where(is_off, 0.0, 1.0)
    return {place: Signal(AT, value, bridge_s=900.0) for place, value in values.items()}


def _cooled(gas: Floats | float, ambient: Floats, stands: Mask, since_h: Floats) -> Floats:
    return np.where(stands, ambient + (gas - ambient) * np.exp(-since_h / 0.8), gas)


@cache
def lines_of(plan: Plan, seed: int) -> list[tuple[int, int, Fact, object]]:
    """Return the facts that rowcall finds in a day."""
    signals = signals_of(plan, seed)
    minutes = minute_table(plan.house, signals, DAY_S)
    counted = [
        (c, 0, Fact.N_PULSES, 1000 * ratio * rows)
        for c, (ratio, rows) in enumerate(zip(plan.pulses, plan.house.rows, strict=False), start=1)
    ]
    peers = peer_facts(plan.house, signals, minutes, [*counted, *plan.lines])
    return [*cooling_facts(signals, minutes), *peers]


def day_of(days: Sequence[Plan]) -> BaghouseDay:
    """Return the last of some days, with the facts of the others as its history."""
    n = len(days)
    each = [lines_of(plan, seed) for seed, plan in enumerate(days)]
    past = [
        (DAY - timedelta(days=n - 1 - k), c, row, fact.column, float(str(value)))
        for k, lines in enumerate(each[:-1])
        for c, row, fact, value in lines
    ]
    today = [(c, row, fact.column, float(str(value))) for c, row, fact, value in each[-1]]
    signals = signals_of(days[-1], n - 1)
    empty = pl.DataFrame()
    return BaghouseDay(
        day=DAY,
        start=datetime(2026, 11, 26, tzinfo=UTC),
        end=datetime(2026, 11, 27, tzinfo=UTC),
        baghouse=days[-1].house,
        signals=signals,
        health=tuple(
            Health(place[0].value, *place, AT.size, 0, 0, 1.0, STEP_S) for place in signals
        ),
        minutes=empty,
        pulses=empty,
        cycles=empty,
        facts=pl.DataFrame(today, schema=FACT_COLUMNS, orient="row"),
        history=History(pl.DataFrame(past, schema=HISTORY_COLUMNS, orient="row")),
    )


def weeks(
    n: int, *, since: int | None = None, usual: Plan | None = None, seed: int = 7, **change: Any
) -> list[Plan]:
    """Return days of swinging load and weather; changed from day `since` on (from 0)."""
    rng, plan = np.random.default_rng(seed), usual or Plan()
    days = []
    for k in range(n):
        load, weather = float(rng.uniform(-0.3, 0.3)), float(rng.uniform(-0.03, 0.03))
        day = replace(
            plan,
            flow=10 * (1 + load),
            ambient=15 + 10 * float(np.sin(k / 5)),
            loss=tuple(one * (1 + weather) for one in plan.loss),
        )
        days.append(replace(day, **change) if since is not None and k >= since else day)
    return days


def facts_of(plan: Plan, seed: int = 1) -> Mapping[tuple[Fact, int], float]:
    """Return the facts of one day by fact and compartment."""
    return {(fact, c): float(str(value)) for c, _, fact, value in lines_of(plan, seed)}
