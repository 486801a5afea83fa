"""Residual DP that rises: too little data, and changes that must not change the answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from helpers.residual_dp import RULE, judged, quiet, with_series
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, reordered, shifted
from helpers.scenes import Studied, exports, fact, history_of, kiln, study

from rowcall.model import Fact, History, Verdict


@pytest.fixture(scope="module")
def today() -> Studied:
    return study(exports(kiln(), seed=4, hours=8)[0])


# 4. Thin data.


@pytest.mark.parametrize(("n", "verdict"), [(6, Verdict.CANNOT_TELL), (7, Verdict.CLEAR)])
def test_a_week_makes_a_verdict(today: Studied, n: int, verdict: Verdict) -> None:
    answer = judged(with_series(today.day, quiet(n)))
    assert answer.verdict is verdict
    assert ("only 6 days" in answer.text) is (n == 6)


def test_a_day_without_a_cycle_cannot_tell(today: Studied) -> None:
    rows = today.day.facts.filter(pl.col("compartment") > 0)
    past = history_of({Fact.RESIDUAL_DP_PA: quiet(30).tolist()}, today.day.day)
    answer = judged(replace(today.day, facts=rows, history=past))
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "no cleaning cycle of this day" in answer.text


@pytest.mark.parametrize("seed", range(5))
def test_a_steep_but_noisy_week_is_no_rise(today: Studied, seed: int) -> None:
    value = quiet(7, sd=60.0, seed=seed) + 10.0 * np.arange(7)
    assert judged(with_series(today.day, value)).verdict is Verdict.CLEAR


def test_too_few_of_the_days_cannot_tell(today: Studied) -> None:
    day = with_series(today.day, quiet(40) + 10.0 * np.arange(40))
    thin = replace(day, history=History(day.history.facts.filter(pl.col("day").dt.day() % 4 == 0)))
    answer = judged(thin)
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "too few days for a trend" in answer.text


def test_days_that_are_missing_are_not_days(today: Studied) -> None:
    day = with_series(today.day, quiet(60) + 10.0 * np.arange(60))
    thin = replace(day, history=History(day.history.facts.filter(pl.col("day").dt.day() % 3 == 0)))
    answer = judged(thin)
    assert not any(quantity.name.startswith("slope") for quantity in answer.values)


# 5. Invariance.


def test_the_order_of_the_history_does_not_matter(today: Studied) -> None:
    day = with_series(today.day, quiet(60) + 10.0 * np.arange(60), limit_pa=2000.0)
    mixed = replace(
        day, history=History(day.history.facts.sample(fraction=1.0, shuffle=True, seed=3))
    )
    assert judged(mixed) == judged(day)


def test_size_of_the_plant_does_not_matter(today: Studied) -> None:
    value = quiet(60) + 10.0 * np.arange(60)
    small = judged(with_series(today.day, value))
    large = judged(with_series(today.day, 3.0 * value))
    assert large.verdict is small.verdict is Verdict.FOUND
    ratio = value_of(large, "slope") / value_of(small, "slope")
    assert ratio == pytest.approx(3.0)


def test_unit_day_and_order_of_tags_do_not_matter() -> None:
    export = exports(kiln(), seed=4, hours=8)[0]
    base = study(export).day
    names = (
        Fact.RESIDUAL_DP_PA,
        Fact.PEAK_DP_PA,
        Fact.RESIDUAL_DP_PER_FLOW,
        Fact.CYCLE_TIME_S,
    )
    expected = [fact(base, name) for name in names]
    for other in (
        in_unit(in_unit(export, "dp", "[in_i'H2O]"), "gas_flow", "[ft_i]3/min"),
        shifted(export, 10),
        reordered(export),
    ):
        assert [fact(study(other).day, name) for name in names] == pytest.approx(expected)
    assert found(ask(RULE, base)) == set()
