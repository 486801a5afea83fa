"""Histories of the facts that `blinding` reads, and its answer to them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from helpers.scenes import ZONE, history_of

from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.model import (
    FACT_COLUMNS,
    Answer,
    BaghouseDay,
    Context,
    Fact,
    FactBook,
    Floats,
    History,
)
from rowcall.site import Baghouse
from rowcall_rules.filter.blinding import RULE

LAST = date(2026, 3, 31)
LIMITS = limits_in_force([RULE], {})[RULE.name]


def answer_of(
    house: Baghouse,
    series: Mapping[Fact, Floats],
    before: Mapping[str, tuple[Answer, ...]] | None = None,
) -> Answer:
    """Return the rule's answer on the last day of facts by day, nan where a day has none.

    before: answers of other rules on that day.
    """
    past = history_of({fact: one[:-1].tolist() for fact, one in series.items()}, LAST)
    past = History(past.facts.filter(pl.col("value").is_finite()))
    today = [(0, 0, fact.column, float(one[-1])) for fact, one in series.items()]
    facts = pl.DataFrame(today, schema=FACT_COLUMNS, orient="row")
    start = datetime.combine(LAST, time(), ZoneInfo(ZONE))
    empty = pl.DataFrame()
    day = BaghouseDay(
        day=LAST,
        start=start,
        end=start + timedelta(days=1),
        baghouse=house,
        signals={},
        health=(),
        minutes=empty,
        pulses=empty,
        cycles=empty,
        facts=facts,
        history=past,
    )
    (answer,) = RULE.judge(
        Context(day=day, limits=LIMITS, facts=FactBook(facts), answers=before or {})
    )
    return answer


def by_fact(days: list[dict[Fact, float]]) -> dict[Fact, Floats]:
    """Turn one mapping a day into one series a fact."""
    names = {fact for day in days for fact in day}
    return {fact: np.array([day.get(fact, np.nan) for day in days]) for fact in names}
