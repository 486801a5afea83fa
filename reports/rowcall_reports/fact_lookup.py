"""What was usual of a fact in the week before, and its course over the days."""

from __future__ import annotations

from datetime import timedelta

import polars as pl

from rowcall.model import FACT_COLUMNS, HISTORY_COLUMNS, BaghouseDay, Fact, FactBook

USUAL_DAYS = 7  # chosen: one week, so that weekdays and weekends are all in


def usual(day: BaghouseDay) -> FactBook:
    """Return the median of each fact over the seven days before."""
    first = day.day - timedelta(days=USUAL_DAYS)
    week = day.history.facts.filter(pl.col("day") >= first)
    return FactBook(
        week.group_by("compartment", "row", "name")
        .agg(pl.col("value").median())
        .select(*FACT_COLUMNS)
    )


def track(day: BaghouseDay, fact: Fact, days: int) -> pl.DataFrame:
    """Return one fact over the last `days` days, today included: day, compartment, row, value.

    Days before work that moved it are in it too: a picture shows what the work brought.
    """
    first = day.day - timedelta(days=days - 1)
    wanted = (pl.col("name") == fact.column) & (pl.col("day") >= first)
    past = [known.filter(wanted) for known in (day.history.facts, day.history.cut)]
    today = day.facts.filter(pl.col("name") == fact.column).with_columns(day=pl.lit(day.day))
    return (
        pl.concat([*past, today.select(*HISTORY_COLUMNS)])
        .drop("name")
        .sort("day", "compartment", "row")
    )
