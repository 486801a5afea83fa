"""Rows that are pulsed too seldom to judge in one day: their pulses of several days together.

How many pulses a row was sent on the days before is in their facts. Where a day has few, as many
days before it are added as it takes, a week at most; what is then found of a row is found of them
all, unless its pulses show that it changed in between. Days up to that of a repair of a row are
not added to it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, timedelta

import polars as pl

from rowcall.model import RESTARTS, Fact, Subject, WorkEntry

_FEW = 20.0  # chosen: pulses a row from which a day speaks for itself
_MIN_PULSES = 40.0  # chosen: pulses a row that are looked for
_MAX_DAYS = 7  # chosen: a week; older pulses say little of today
_SINCE_DAY = (Fact.ONSET_S.column,)  # facts that count time from the start of the day
_OF_DAY = (Fact.N_SENT.column,)  # facts that stay the day's own
_PLACE = ("compartment", "row")

Place = tuple[int, int]


def days_wanted(day: date, facts: pl.DataFrame, history: pl.DataFrame) -> int:
    """Return how many days, this one included, to stack; 1 where it is enough.

    Args:
        facts: of the day, columns `FACT_COLUMNS`.
        history: facts of the days before, columns `HISTORY_COLUMNS`.
    """
    sent = pl.col("name").eq(Fact.N_SENT.column) & pl.col("value").gt(0) & pl.col("row").gt(0)
    today = facts.filter(sent).select(*_PLACE, n=pl.col("value"))
    if today.is_empty() or _median(today) >= _FEW:
        return 1
    before = history.filter(sent).select("day", *_PLACE, n=pl.col("value"))
    before = before.join(today.select(_PLACE), on=list(_PLACE), how="semi")
    wanted = 1
    for n_days in range(2, _MAX_DAYS + 1):
        first = day - timedelta(days=n_days - 1)
        within = before.filter(pl.col("day").is_between(first, day, closed="left"))
        if (within["day"] == first).any():
            wanted = n_days
            every = pl.concat([today, within.drop("day")]).group_by(_PLACE).agg(pl.col("n").sum())
            if _median(every) >= _MIN_PULSES:
                break
    return wanted


def rows_by_days(
    n_days: int, day: date, rows: Iterable[Subject], restarts: Iterable[WorkEntry]
) -> dict[int, list[Place]]:
    """Return the rows by the number of days to stack of them: those since a repair at most."""
    repairs = [entry for entry in restarts if RESTARTS[entry.work].of_rows]
    out: dict[int, list[Place]] = {}
    for row in rows:
        since = ((day - entry.day).days for entry in repairs if entry.touches(row))
        own = max(1, min([n_days, *since]))
        out.setdefault(own, []).append((row.compartment, row.row))
    return out


def is_of(places: Iterable[Place]) -> pl.Expr:
    """Return whether a line with compartment and row is of some rows."""
    named = [{"compartment": compartment, "row": row} for compartment, row in places]
    return pl.struct(pl.col(_PLACE).cast(pl.Int64)).is_in(named)


def _median(counts: pl.DataFrame) -> float:
    middle = counts["n"].median()
    return float(middle) if isinstance(middle, (int, float)) else 0.0


def with_more_days(
    facts: pl.DataFrame,
    of_rows: pl.DataFrame,
    n_days: int,
    before_s: float,
    places: Sequence[Place],
) -> pl.DataFrame:
    """Return a day's facts with those of some of its rows from several days.

    `n_stacked` and `days_stacked` of each row say from how many pulses and days.

    Args:
        facts: of the day.
        of_rows: facts of rows over all days, same columns; times from the start of the first.
        before_s: how long before this day the first began [s].
        places: the rows that are meant.
    """
    of_rows = of_rows.filter(is_of(places))
    is_sent = of_rows.filter(pl.col("name").eq(Fact.N_SENT.column) & pl.col("value").gt(0))
    counts = is_sent.with_columns(name=pl.lit(Fact.N_STACKED.column))
    days = is_sent.with_columns(name=pl.lit(Fact.DAYS_STACKED.column), value=pl.lit(float(n_days)))
    pooled = of_rows.filter(~pl.col("name").is_in(_OF_DAY)).with_columns(
        value=pl.when(pl.col("name").is_in(_SINCE_DAY))
        .then(pl.col("value") - before_s)
        .otherwise(pl.col("value"))
    )
    # What the day alone shows of these rows gives way to what all days show together.
    names = pl.col("name").is_in(pooled["name"].unique().to_list())
    kept = facts.filter(~(is_of(places) & names))
    return pl.concat([kept, pooled, counts, days]).sort("compartment", "row", "name")
