"""A change within the day, told from a row that answers now and then."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from rowcall.events.rows.onset import find_change, row_onsets
from rowcall.model import Floats


def pulses_of(share: Floats, error: float) -> pl.DataFrame:
    """The pulses of one row, ten seconds apart."""
    one = np.ones(share.size, np.int64)
    return pl.DataFrame(
        {
            "time_s": 10.0 * np.arange(share.size),
            "compartment": one,
            "row": one,
            "share": share,
            "share_error": np.full(share.size, error),
        }
    )


@pytest.mark.parametrize("seed", range(20))
def test_a_row_that_dies_within_the_day_is_told_from_when_on(seed: int) -> None:
    noise = np.random.default_rng(seed).normal(0.0, 0.3, 140)
    change = find_change(np.where(np.arange(140) < 90, 1.0, 0.0) + noise, np.full(140, 0.3))
    assert change is not None
    assert abs(change.first - 90) <= 3
    assert change.after == pytest.approx(0.0, abs=0.2)


def test_poorly_heard_answers_now_and_then_are_no_change() -> None:
    rng = np.random.default_rng(1)
    for _ in range(300):
        answers = np.where(rng.random(140) < 0.5, 1.0, 0.0) + rng.normal(0.0, 0.3, 140)
        assert find_change(answers, np.full(140, 0.3)) is None


@pytest.mark.parametrize(("answers", "has_onset"), [("half of the pulses", False), ("half", True)])
def test_a_row_that_starts_to_miss_pulses_has_no_onset(answers: str, has_onset: bool) -> None:
    """Single shares may be too uncertain to show two kinds; all of them together do."""
    rng = np.random.default_rng(3)
    n, error = 400, 0.35
    after = rng.integers(0, 2, n) if answers == "half of the pulses" else np.full(n, 0.5)
    share = np.concatenate((np.ones(n), after)) + error * rng.standard_normal(2 * n)
    assert (row_onsets(pulses_of(share, error)).height == 1) is has_onset


def test_a_row_that_begins_to_close_late_has_an_onset() -> None:
    """Shares beyond the usual drop scatter by a third of that; few are sampled before it blows."""
    rng = np.random.default_rng(3)
    n, error = 200, 0.045
    after = np.where(rng.random(n) < 0.05, 1.0, 2.7 + 0.5 * rng.standard_normal(n))
    share = np.concatenate((np.ones(n), after)) + error * rng.standard_normal(2 * n)
    sound = [1.0 + error * rng.standard_normal(2 * n) for _ in range(2)]
    header = [pulses_of(one, error) for one in (share, *sound)]
    rows = [one.with_columns(row=pl.lit(row, pl.Int64)) for row, one in enumerate(header, start=1)]
    onsets = row_onsets(pl.concat(rows))
    assert onsets["row"].item() == 1
    assert onsets["onset_s"].item() == pytest.approx(10.0 * n, abs=30.0)
    assert onsets["share_after"].item() == pytest.approx(2.7, abs=0.2)
