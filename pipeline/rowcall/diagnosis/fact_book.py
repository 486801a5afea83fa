"""Looking facts up by place and name."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from rowcall.model import Floats

Place = tuple[int, int, str]


def fact_book(facts: pl.DataFrame) -> dict[Place, float]:
    """Return one day's facts by (compartment, row, name), 0 meaning all."""
    columns = (facts[name].to_list() for name in ("compartment", "row", "name", "value"))
    return {(c, r, name): value for c, r, name, value in zip(*columns, strict=True)}


def past_of(history: pl.DataFrame, place: Place) -> tuple[list[date], Floats]:
    """Return the days and values of one fact in the history, oldest first."""
    compartment, row, name = place
    past = history.filter(
        (pl.col("compartment") == compartment) & (pl.col("row") == row) & (pl.col("name") == name)
    ).sort("day")
    return past["day"].to_list(), past["value"].to_numpy().astype(np.float64)
