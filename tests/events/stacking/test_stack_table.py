"""The stacks that travel with a day: they are what was stored, row by row and bin by bin."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest
from helpers.scene_road import study_span
from trials.conditions import Condition
from trials.rows import Kind, RowPlan
from trials.trial import make_trial

from rowcall.events.stacking.types import STACK_COLUMNS
from rowcall.model import BaghouseDay
from rowcall.site import Role

ROWS = (
    *[RowPlan(Kind.HEALTHY)] * 5,
    RowPlan(Kind.SILENT, drop_share=0.0),
    RowPlan(Kind.DRAWN_OUT, late_s=1.0, late_flow=0.6),
    RowPlan(Kind.HEALTHY),
)
SILENT, LATE = 6, 7
DENSE = Condition(name="dense", step_s=0.5, hours=3.0, interval_s=(9.0, 12.0))


@pytest.fixture(scope="module")
def day() -> BaghouseDay:
    trial = make_trial(DENSE, "vessel", 5, ROWS)
    span = (trial.start, trial.end)
    studied, _ = study_span(trial.baghouse, span[0].date(), span, trial.samples, {})
    return studied


def curve(day: BaghouseDay, row: int) -> pl.DataFrame:
    return day.stacks.filter(pl.col("row") == row)


def test_every_row_has_its_bins_in_order(day: BaghouseDay) -> None:
    assert dict(day.stacks.schema) == STACK_COLUMNS
    assert day.stacks["row"].unique().sort().to_list() == list(range(1, len(ROWS) + 1))
    assert (day.stacks["count"] > 0).all()
    for row in range(1, len(ROWS) + 1):
        assert curve(day, row)["since_s"].is_sorted()


def test_hardly_a_point_is_lost(day: BaghouseDay) -> None:
    kept = day.signals[Role.HEADER_PRESSURE, 1, 0]
    assert 0.9 * kept.time_s.size < day.stacks["count"].sum() <= kept.time_s.size


def test_sound_rows_follow_their_peers_and_faulty_ones_do_not(day: BaghouseDay) -> None:
    def excess(row: int) -> float:
        mine = curve(day, row).filter(pl.col("since_s").is_between(1.2, 3.0))
        return float(np.average(mine["mean"] / mine["usual"], weights=mine["count"]))

    for row in (1, 2, 3, 4, 5, 8):
        assert excess(row) == pytest.approx(1.0, abs=0.25)
    assert abs(excess(SILENT)) < 0.15
    assert excess(LATE) > 1.5


def test_points_scatter_about_their_bins_as_stated(day: BaghouseDay) -> None:
    late = curve(day, SILENT).filter(pl.col("since_s") > 3.0)
    off = late["mean"].to_numpy() * np.sqrt(late["count"].to_numpy())  # a silent row's: noise
    assert np.std(off) < 3 * float(late["point_error"][0])
    assert 0.05 <= float(day.stacks["close_s"][0]) <= 0.4


def test_the_table_is_small(day: BaghouseDay) -> None:
    assert day.stacks.height <= 64 * len(ROWS)


def test_a_header_that_no_row_draws_down_has_no_stacks() -> None:
    trial = make_trial(DENSE, "vessel", 5, (RowPlan(Kind.HEALTHY, drop_share=0.02),) * 8)
    span = (trial.start, trial.end)
    studied, _ = study_span(trial.baghouse, span[0].date(), span, trial.samples, {})
    assert studied.stacks.is_empty()
