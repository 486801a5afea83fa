"""Days of a casing whose drag is known second by second, with a way past the cloth from one on.

Rows of cake in parallel, and a bypass as one more conductance: at its instant DP at the same flow
falls by exactly the share that is asked for. Shares no formula with the estimate.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime
from functools import cache
from typing import Literal

import numpy as np
import polars as pl

from rowcall.condition.minutes import minute_table
from rowcall.events.facts.daily import step_lines
from rowcall.events.filter.sudden_steps import SuddenSteps, sudden_steps
from rowcall.model import FACT_COLUMNS, BaghouseDay, Fact, Floats, History, Signal, TagHealth
from rowcall.site import Baghouse, Role

DAY = date(2026, 11, 26)
DAY_S, STEP_S, ROWS = 86_400.0, 10.0, 12
AT_S = 45_007.0  # 12:30:07
Place = tuple[Role, int, int]
Mode = Literal["on_demand", "on_time"]
INTERVAL_S = {"on_demand": 10.0, "on_time": 60.0}
START_PA, STOP_PA = 1200.0, 900.0


def house(mode: Mode = "on_time", **other: object) -> Baghouse:
    cleaning = {
        "mode": mode,
        "interval": f"{INTERVAL_S[mode]:.0f} s",
        "start_dp": "1.2 kPa",
        "stop_dp": "0.9 kPa",
    }
    fixed = {"id": "BH2", "name": "Mill", "compartments": 1, "rows_per_compartment": ROWS}
    return Baghouse.model_validate({**fixed, "cleaning": cleaning, **other})


@cache
def casing(
    mode: Mode,
    fall: float = 0.0,
    at_s: float = AT_S,
    until_s: float = DAY_S,
    swing: float = 0.15,
    feed: float = 1.0,
    flow_step: float = 0.0,
) -> tuple[Floats, Floats, Floats]:
    """Return DP [Pa] and flow [m3/s] every `STEP_S`, and the pulses [s] of a day.

    fall: of drag while a bypass is open, from `at_s` until `until_s`; flow_step: what flow jumps by
    at `at_s`; feed: dust over the usual, from `at_s` on.
    """
    at = np.arange(0.0, DAY_S, STEP_S)
    flow = 10.0 * (1 + swing * np.sin(at / 3600.0)) * (1 + flow_step * (at >= at_s))
    cake = np.linspace(5.0, 40.0, ROWS)
    dp, pulses = np.zeros(at.size), []
    open_to, row, next_s, is_on = 0.0, 0, 0.0, mode == "on_time"
    for k, now in enumerate(at.tolist()):
        through = float((1 / (60.0 + cake)).mean())
        if fall and not open_to and now >= at_s:
            open_to = through * fall / (1 - fall)
        dp[k] = flow[k] / (through + (open_to if now < until_s else 0.0))
        cake = cake + 0.0045 * (feed if now >= at_s else 1.0) * STEP_S * dp[k] / (60 + cake) / 10
        if mode == "on_demand":
            is_on = dp[k] > START_PA or (is_on and dp[k] > STOP_PA)
        if is_on and now >= next_s:
            pulses.append(now)
            cake[row] *= 0.3
            row, next_s = (row + 1) % ROWS, now + INTERVAL_S[mode]
    return dp, flow, np.array(pulses)


def signals_of(
    made: tuple[Floats, Floats, Floats], seed: int = 1, noise_pa: float = 5.0
) -> dict[Place, Signal]:
    """Return DP and flow as tags show them."""
    dp, flow, _ = made
    at, rng = np.arange(0.0, DAY_S, STEP_S), np.random.default_rng(seed)
    return {
        (Role.DP, 0, 0): Signal(at, dp + rng.normal(0, noise_pa, dp.size)),
        (Role.GAS_FLOW, 0, 0): Signal(at, flow * (1 + rng.normal(0, 0.01, flow.size))),
    }


def steps_of(baghouse: Baghouse, signals: Mapping[Place, Signal], pulses_s: Floats) -> SuddenSteps:
    """Return the steps of drag that are found."""
    minutes = minute_table(baghouse, signals, DAY_S)
    dp = signals[Role.DP, 0, 0]
    seen = sudden_steps(dp, minutes, pulses_s, baghouse.cleaning.interval)
    assert seen is not None
    return seen


def fall_day(
    baghouse: Baghouse,
    signals: Mapping[Place, Signal],
    pulses_s: Floats,
    facts: Mapping[Fact, float] | None = None,
    history: History | None = None,
    **other: object,
) -> BaghouseDay:
    """Return the day that the rule looks at; `facts` besides those of sudden steps."""
    lines = [*step_lines(baghouse, signals, steps_of(baghouse, signals, pulses_s))]
    lines += [(0, 0, fact, value) for fact, value in (facts or {}).items()]
    table = [(c, row, fact.column, float(str(value))) for c, row, fact, value in lines]
    given: dict[str, object] = {
        "day": DAY,
        "start": datetime(2026, 11, 26, tzinfo=UTC),
        "end": datetime(2026, 11, 27, tzinfo=UTC),
        "baghouse": baghouse,
        "signals": signals,
        "health": tuple(_health(place, one) for place, one in signals.items()),
        "minutes": minute_table(baghouse, signals, DAY_S),
        "pulses": pl.DataFrame(),
        "cycles": pl.DataFrame(),
        "facts": pl.DataFrame(table, schema=FACT_COLUMNS, orient="row"),
        "history": history or History(),
    }
    return BaghouseDay(**{**given, **other})  # type: ignore[arg-type]


def _health(place: Place, signal: Signal) -> TagHealth:
    step_s = float(np.median(np.diff(signal.time_s)))
    return TagHealth(place[0].value, *place, signal.time_s.size, 0, 0, 1.0, step_s)
