"""Steps against the Nile's published change, and the screen against the search it saves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ruptures import Binseg, KernelCPD

from rowcall.diagnosis.steps import best_single_gain, find_steps, noise_variance
from rowcall.model import Floats


def nile() -> Floats:
    from statsmodels import api as sm  # loads for a second: only where it is wanted

    return sm.datasets.nile.load_pandas().data["volume"].to_numpy().astype(np.float64)  # type: ignore[no-any-return]


def penalty_of(value: Floats) -> float:
    """The penalty as the module states it: 3 (1 + 20 / n) variance ln(n)."""
    n = value.size
    return 3.0 * (1.0 + 20.0 / n) * noise_variance(value) * math.log(n)


def searched(value: Floats, penalty: float) -> list[int]:
    search = KernelCPD(kernel="linear", min_size=1, jump=1).fit(value.reshape(-1, 1))
    return [int(index) for index in search.predict(pen=penalty)[:-1]]


def sum_of_squares(value: Floats) -> float:
    return float(value.var() * value.size)


# Cobb 1978: the Nile's flow changed near 1898. Last year of the old level 1898, first of the new
# 1899, sums of squares 2835156.75 -> 1597457.194: computed with ruptures 1.1.10, jump=1.
def test_the_nile_changed_in_1899() -> None:
    value = nile()
    assert find_steps(value) == [28]
    assert 1871 + 28 == 1899
    assert sum_of_squares(value) == pytest.approx(2835156.75, rel=1e-6)
    split = sum_of_squares(value[:28]) + sum_of_squares(value[28:])
    assert split == pytest.approx(1597457.194, rel=1e-6)
    assert best_single_gain(value) >= sum_of_squares(value) - split


def test_another_search_agrees_on_the_nile() -> None:
    found = Binseg(model="l2", jump=1, min_size=1).fit(nile()).predict(n_bkps=1)
    assert found == [28, 100]


def series_of(seed: int, n: int, steps: list[int], size: float) -> Floats:
    rng = np.random.default_rng(seed)
    value = 1000.0 + 20.0 * rng.standard_normal(n)
    for number, step in enumerate(steps):
        value[step % n :] += size * (-1) ** number
    return value


# The screen must never spare a search that would have found something.
@settings(max_examples=75, deadline=None)
@given(
    st.integers(0, 10_000),
    st.integers(5, 90),
    st.lists(st.integers(1, 89), max_size=4),
    st.floats(0.0, 400.0),
    st.floats(0.05, 2.0),
)
def test_the_screen_is_exact(
    seed: int, n: int, steps: list[int], size: float, share: float
) -> None:
    value = series_of(seed, n, steps, size)
    penalty = share * penalty_of(value)
    if searched(value, penalty):
        assert best_single_gain(value) > penalty * (1 - 1e-9)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000), st.integers(5, 25), st.floats(0.0, 300.0))
def test_the_best_gain_is_that_of_trying_everything(seed: int, n: int, size: float) -> None:
    value = series_of(seed, n, [n // 2], size)
    best = max(
        sum_of_squares(value[a:b]) - sum_of_squares(value[a:t]) - sum_of_squares(value[t:b])
        for a in range(n)
        for b in range(a + 2, n + 1)
        for t in range(a + 1, b)
    )
    assert best_single_gain(value) == pytest.approx(best, rel=1e-6, abs=1e-6)


# Shares as the module's docstring states them, from other seeds than these.
@pytest.mark.parametrize(
    ("n", "share"), [(6, 0.031), (7, 0.020), (8, 0.028), (14, 0.021), (30, 0.016), (90, 0.007)]
)
def test_white_noise_holds_a_step_as_seldom_as_stated(n: int, share: float) -> None:
    rng = np.random.default_rng(n)
    tries = 1500 if n < 90 else 500
    found = [bool(find_steps(1000.0 + 50.0 * rng.standard_normal(n))) for _ in range(tries)]
    assert np.mean(found) == pytest.approx(share, abs=3 * math.sqrt(share / tries))


@pytest.mark.parametrize(("n", "share"), [(7, 0.85), (14, 0.98), (30, 0.99)])
def test_a_step_is_found_on_its_first_day_as_often_as_stated(n: int, share: float) -> None:
    """Ten standard deviations, on the newest day."""
    hits = [find_steps(series_of(seed, n, [n - 1], 200.0)) == [n - 1] for seed in range(400)]
    assert np.mean(hits) == pytest.approx(share, abs=3 * math.sqrt(share * (1 - share) / 400))


@pytest.mark.parametrize("at", [5, 15, 28, 29])
def test_a_step_is_found_on_its_day(at: int) -> None:
    hits = [find_steps(series_of(seed, 30, [at], 300.0)) == [at] for seed in range(40)]
    assert np.mean(hits) >= 0.85


def test_up_and_down_are_two_steps() -> None:
    assert find_steps(series_of(3, 60, [20, 40], 300.0)) == [20, 40]


@pytest.mark.parametrize("slope", [2.0, 5.0, 20.0])
def test_a_straight_rise_is_no_staircase(slope: float) -> None:
    rng = np.random.default_rng(4)
    ramp = slope * np.arange(60.0)
    found = [bool(find_steps(1000.0 + ramp + 20 * rng.standard_normal(60))) for _ in range(60)]
    assert np.mean(found) <= 0.05


def test_a_step_in_the_middle_is_not_taken_for_a_rise() -> None:
    """A line has to pay for its slope: here it leaves 12 variances more than the step does, and
    one penalty is 16 of them; the step alone explains 49."""
    hits = [bool(find_steps(series_of(seed, 60, [30], 36.0))) for seed in range(60)]
    assert np.mean(hits) >= 0.9


def test_a_step_of_less_than_a_few_percent_of_quiet_days_is_none() -> None:
    # A daily median is never taken as better than 1 % of its level.
    value = np.full(30, 1000.0)
    value[15:] += 12.0
    assert find_steps(value) == []
    value[15:] += 60.0
    assert find_steps(value) == [15]


@pytest.mark.parametrize("n", [0, 1, 4])
def test_a_few_days_hold_no_step(n: int) -> None:
    assert find_steps(np.array([1.0, 1.0, 9.0, 9.0])[:n]) == []


def test_noise_is_measured_across_a_step() -> None:
    rng = np.random.default_rng(6)
    value = 1000.0 + 30.0 * rng.standard_normal(400)
    value[200:] += 500.0
    assert noise_variance(value) == pytest.approx(900.0, rel=0.25)
