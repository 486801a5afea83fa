"""Made histories of residual DP, and the rule's answer to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from helpers.scene_answers import ask
from helpers.scene_road import HISTORY_SCHEMA
from helpers.scenes import history_of

from rowcall.model import Answer, BaghouseDay, Floats, Subject

RULE = "rising_baseline_dp"

HOUSE = Subject("BH1")

FLOW = 16.0  # m3/s


def quiet(n: int, level: float = 900.0, sd: float = 8.0, seed: int = 1) -> Floats:
    return level + sd * np.random.default_rng(seed).standard_normal(n)


def with_series(
    day: BaghouseDay,
    value_pa: Sequence[float] | Floats,
    flow: Sequence[float] | Floats | None = None,
    *,
    has_flow: bool = True,
    limit_pa: float | None = None,
) -> BaghouseDay:
    """A day whose residual DP, and those before it, are given; led back to FLOW by the rule."""
    value = np.asarray(value_pa, np.float64)
    flows = np.full(value.size, FLOW) if flow is None else np.asarray(flow, np.float64)
    series = {"residual_dp_pa": value}
    if has_flow:
        series |= {"residual_dp_per_flow": value / flows, "flow_m3_s": flows}
    lines = [(0, 0, name, float(one[-1])) for name, one in series.items()]
    schema = {name: kind for name, kind in HISTORY_SCHEMA.items() if name != "day"}
    past = history_of({name: one[:-1].tolist() for name, one in series.items()}, day.day)
    house = day.baghouse.model_copy(update={"design_flow": FLOW, "residual_dp_limit": limit_pa})
    rows = day.facts.filter(pl.col("compartment") > 0)
    facts = pl.concat([pl.DataFrame(lines, schema=schema, orient="row"), rows])
    return replace(day, baghouse=house, facts=facts, history=past)


def judged(day: BaghouseDay) -> Answer:
    (answer,) = ask(RULE, day).values()
    assert answer.subject == HOUSE
    return answer
