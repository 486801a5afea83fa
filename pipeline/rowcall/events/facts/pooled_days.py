"""Rows that are fired too seldom to tell in one day: their pulses of several days together.

How many calls a row had on the days before is in their facts. Where a day has few, as many days
before it are looked at as it takes, a week at most; what is then said of a row is said of them all,
unless its pulses show that it changed in between.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

FEW = 20.0  # chosen: pulses a row from which a day speaks for itself
_ENOUGH = 40.0  # chosen: pulses a row that are looked for
_MOST_DAYS = 7  # chosen: a week; older pulses say little of today
_SINCE_DAY = ("onset_s",)  # facts that count time from the start of the day
_OF_DAY = ("n_called",)  # facts that stay the day's own
_PLACE = ("compartment", "row")


def days_wanted(day: date, facts: pl.DataFrame, history: pl.DataFrame) -> int:
    """Return how many days, this one included, to lay over each other; 1 where it is enough.

    Args:
        facts, history: as of `BaghouseDay`.
    """
    called = pl.col("name").eq("n_called") & pl.col("value").gt(0) & pl.col("row").gt(0)
    today = facts.filter(called).select(*_PLACE, n=pl.col("value"))
    if today.is_empty() or _median(today) >= FEW:
        return 1
    before = history.filter(called).select("day", *_PLACE, n=pl.col("value"))
    before = before.join(today.select(_PLACE), on=list(_PLACE), how="semi")
    wanted = 1
    for n_days in range(2, _MOST_DAYS + 1):
        first = day - timedelta(days=n_days - 1)
        within = before.filter(pl.col("day").is_between(first, day, closed="left"))
        if (within["day"] == first).any():
            wanted = n_days
            every = pl.concat([today, within.drop("day")]).group_by(_PLACE).agg(pl.col("n").sum())
            if _median(every) >= _ENOUGH:
                break
    return wanted


def _median(counts: pl.DataFrame) -> float:
    middle = counts["n"].median()
    return float(middle) if isinstance(middle, (int, float)) else 0.0


def with_more_days(
    facts: pl.DataFrame, of_rows: pl.DataFrame, n_days: int, before_s: float
) -> pl.DataFrame:
    """Return a day's facts with those of its rows told from several days.

    `n_stacked` and `days_stacked` of each row tell from how many pulses and days.

    Args:
        facts: of the day.
        of_rows: facts of rows over all days, same columns; times from the start of the first.
        before_s: how long before this day the first began [s].
    """
    is_called = of_rows.filter(pl.col("name").eq("n_called") & pl.col("value").gt(0))
    counts = is_called.with_columns(name=pl.lit("n_stacked"))
    days = is_called.with_columns(name=pl.lit("days_stacked"), value=pl.lit(float(n_days)))
    told = of_rows.filter(~pl.col("name").is_in(_OF_DAY)).with_columns(
        value=pl.when(pl.col("name").is_in(_SINCE_DAY))
        .then(pl.col("value") - before_s)
        .otherwise(pl.col("value"))
    )
    # Whatever a day alone says of these rows is said by all days together, or not at all.
    names = pl.col("name").is_in(told["name"].unique().to_list())
    kept = facts.filter(~(pl.col("row").gt(0) & names))
    return pl.concat([kept, told, counts, days]).sort("compartment", "row", "name")
