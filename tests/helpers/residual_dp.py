"""Made histories of residual DP, and the rule's answer to them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import polars as pl
from helpers.scene_answers import ask
from helpers.scenes import history_of

from rowcall.model import FACT_COLUMNS, Answer, BaghouseDay, Fact, Floats, History, Subject, WorkLog

RULE = "rising_residual_dp"

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
    others: Mapping[Fact, Sequence[float] | Floats] | None = None,
) -> BaghouseDay:
    """A day whose residual DP, and those before it, are given; corrected to FLOW by the rule.

    others: further facts of the same days, nan where a day has none.
    """
    value = np.asarray(value_pa, np.float64)
    flows = np.full(value.size, FLOW) if flow is None else np.asarray(flow, np.float64)
    series = {Fact.RESIDUAL_DP_PA: value}
    if has_flow:
        series |= {Fact.RESIDUAL_DP_PER_FLOW: value / flows, Fact.FLOW_M3_S: flows}
    series |= {name: np.asarray(one, np.float64) for name, one in (others or {}).items()}
    lines = [(0, 0, fact.column, float(one[-1])) for fact, one in series.items()]
    known = history_of({fact: one[:-1].tolist() for fact, one in series.items()}, day.day)
    past = History(known.facts.filter(pl.col("value").is_finite()))
    house = day.baghouse.model_copy(update={"design_flow": FLOW, "residual_dp_limit": limit_pa})
    rows = day.facts.filter(pl.col("compartment") > 0)
    facts = pl.concat([pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row"), rows])
    return replace(day, baghouse=house, facts=facts, history=past)


def judged(day: BaghouseDay, work: WorkLog | None = None) -> Answer:
    (answer,) = ask(RULE, day, work=work).values()
    assert answer.subject == HOUSE
    return answer
