"""One day with histories of facts by day, and what a rule on them answers: no signals, no files."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo

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
    Limits,
    Rule,
)
from rowcall.site import Baghouse


@cache
def _limits_of(rule: Rule) -> Limits:
    return limits_in_force([rule], {})[rule.name]


def answer_by_days(
    rule: Rule,
    house: Baghouse,
    series: Mapping[Fact, Floats],
    last: date,
    before: Mapping[str, tuple[Answer, ...]] | None = None,
) -> Answer:
    """Return a rule's answer on the last day of facts by day, nan where a day has none.

    before: answers of other rules on that day.
    """
    past = history_of({fact: one[:-1].tolist() for fact, one in series.items()}, last)
    past = History(past.facts.filter(pl.col("value").is_finite()))
    today = [(0, 0, fact.column, float(one[-1])) for fact, one in series.items()]
    facts = pl.DataFrame(today, schema=FACT_COLUMNS, orient="row")
    start = datetime.combine(last, time(), ZoneInfo(ZONE))
    empty = pl.DataFrame()
    day = BaghouseDay(
        day=last,
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
    limits = _limits_of(rule)
    (answer,) = rule.judge(
        Context(day=day, limits=limits, facts=FactBook(facts), answers=before or {})
    )
    return answer
