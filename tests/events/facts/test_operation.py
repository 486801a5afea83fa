"""Facts of how the unit was run."""

from __future__ import annotations

import math
from itertools import chain, repeat

import polars as pl
import pytest

from rowcall.events.facts.operation import operation_facts
from rowcall.model import Fact
from rowcall.site import Baghouse, Cleaning


def house(gas_moisture: float | None = 0.07) -> Baghouse:
    fixed = {
        "id": "BH2",
        "name": "Mill filter",
        "compartments": 1,
        "rows_per_compartment": 10,
        "cleaning": Cleaning(mode="on_time"),
        "gas_moisture": gas_moisture,
    }
    return Baghouse.model_validate(fixed)


def table(*spans: tuple[str, int, float | None]) -> pl.DataFrame:
    """Return the minute table of spans of (state, minutes, inlet temperature)."""
    lines = list(chain.from_iterable(repeat((state, at), n) for state, n, at in spans))
    schema = {"state": pl.String, "inlet_temperature_c": pl.Float64}
    return pl.DataFrame(lines, schema=schema, orient="row")


def facts(minutes: pl.DataFrame, baghouse: Baghouse | None = None) -> dict[Fact, float]:
    lines = operation_facts(baghouse or house(), minutes)
    return {fact: float(str(value)) for _, _, fact, value in lines}


def test_a_cold_start_counts_its_minutes_with_gas() -> None:
    cold, warm = 25.0, 88.0
    day = table(
        ("running", 600, warm),
        ("stopping", 3, warm),
        ("idle", 400, cold),  # no gas flows
        ("starting", 9, cold),
        ("starting", 6, warm),
        ("running", 422, warm),
    )
    assert facts(day) == {Fact.RUNNING_MIN: 1022, Fact.N_STARTS: 1, Fact.COLD_GAS_MIN: 9}


def test_moisture_decides_what_is_cold() -> None:
    day = table(("running", 1400, 88.0), ("running", 40, 36.0))
    assert facts(day)[Fact.COLD_GAS_MIN] == 40  # 39.0 degC at 7 %
    assert facts(day, house(0.05))[Fact.COLD_GAS_MIN] == 0  # 33.1 degC
    assert Fact.COLD_GAS_MIN not in facts(day, house(None))
    assert Fact.COLD_GAS_MIN not in facts(day.drop("inlet_temperature_c"))


def test_no_cold_gas_is_only_said_of_a_day_that_is_known() -> None:
    hole = ("running", 60, None)
    warm, cold, halt = ("running", 600, 88.0), ("starting", 7, 20.0), ("idle", 60, None)
    assert Fact.COLD_GAS_MIN not in facts(table(warm, hole))
    assert Fact.COLD_GAS_MIN not in facts(table(warm, ("unknown", 60, 20.0)))
    assert facts(table(warm, ("unknown", 60, 88.0)))[Fact.COLD_GAS_MIN] == 0
    assert facts(table(warm, halt))[Fact.COLD_GAS_MIN] == 0
    assert facts(table(warm, hole, cold))[Fact.COLD_GAS_MIN] == 7


@pytest.mark.parametrize(
    ("states", "n_starts"),
    [
        ([("running", 1440)], 0),
        ([("idle", 300), ("starting", 15), ("running", 1125)], 1),
        ([("running", 700), ("idle", 2), ("starting", 15), ("running", 723)], 0),
        ([("unknown", 300), ("running", 1140)], 0),
        ([("idle", 90), ("starting", 15), ("idle", 60), ("starting", 15), ("running", 1260)], 2),
        ([("unknown", 1440)], math.nan),
    ],
)
def test_starts_follow_a_halt(states: list[tuple[str, int]], n_starts: float) -> None:
    seen = facts(table(*((state, n, 88.0) for state, n in states)))
    assert seen.get(Fact.N_STARTS, math.nan) == pytest.approx(n_starts, nan_ok=True)
