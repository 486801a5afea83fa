"""Facts of a day as plain numbers: today's, and what was usual in the week before."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

import polars as pl

from rowcall.model import BaghouseDay

Key = tuple[str, int, int]  # name, compartment, row; 0 meaning all
Facts = Mapping[Key, float]

USUAL_DAYS = 7  # chosen: one week, so that weekdays and weekends are all in


def today(day: BaghouseDay) -> Facts:
    """Return the day's own facts that have a value."""
    return _as_mapping(_real(day.facts))


def usual(day: BaghouseDay) -> Facts:
    """Return the median of each fact over the seven days before."""
    if day.history.is_empty():
        return {}
    first = day.day - timedelta(days=USUAL_DAYS)
    week = _real(day.history.filter(pl.col("day") >= first))
    return _as_mapping(week.group_by("name", "compartment", "row").agg(pl.col("value").median()))


def track(day: BaghouseDay, name: str, days: int) -> pl.DataFrame:
    """Return one fact over the last `days` days, today included: day, compartment, row, value."""
    first = day.day - timedelta(days=days - 1)
    columns = ("day", "compartment", "row", "value")
    frames = []
    if not day.history.is_empty():
        past = day.history.filter((pl.col("name") == name) & (pl.col("day") >= first))
        frames.append(past.select(columns))
    if not day.facts.is_empty():
        now = day.facts.filter(pl.col("name") == name)
        frames.append(now.with_columns(pl.lit(day.day).alias("day")).select(columns))
    if not frames:
        return pl.DataFrame(
            schema={"day": pl.Date, "compartment": pl.Int64, "row": pl.Int64, "value": pl.Float64}
        )
    return pl.concat(frames, how="vertical_relaxed").sort("day", "compartment", "row")


def has_data(day: BaghouseDay) -> bool:
    """Return whether any tag of the baghouse brought a point for the day."""
    return any(tag.n_points for tag in day.health) or bool(day.signals)


def _real(frame: pl.DataFrame) -> pl.DataFrame:
    if frame.is_empty():
        return frame
    return frame.filter(pl.col("value").is_not_null() & pl.col("value").is_finite())


def _as_mapping(frame: pl.DataFrame) -> Facts:
    if frame.is_empty():
        return {}
    rows = frame.select("name", "compartment", "row", "value").iter_rows()
    return {(name, compartment, row): value for name, compartment, row, value in rows}
