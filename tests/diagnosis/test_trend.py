"""The robust trend against scipy and published numbers, and its interval against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import theilslopes
from statsmodels.tsa.arima_process import ArmaProcess

from rowcall.diagnosis.trend import theil_sen
from rowcall.model import Floats


def nile() -> Floats:
    """Return the Nile's annual volume 1871-1970, as shipped with statsmodels."""
    return sm.datasets.nile.load_pandas().data["volume"].to_numpy().astype(np.float64)  # type: ignore[no-any-return]


def days(n: int) -> Floats:
    return np.arange(n, dtype=np.float64)


def test_the_slope_of_the_nile() -> None:
    # Sen's slope -2.6 a year, Mann-Kendall S -1387 (Z -4.13): computed with pymannkendall 1.4.3.
    trend = theil_sen(days(100), nile())
    assert trend is not None
    assert trend.slope == pytest.approx(-2.6, abs=1e-9)
    assert trend.n == 100
    assert trend.high < 0.0  # p 3.7e-5 for independent years; still falling with memory allowed for


@given(arrays(np.float64, st.integers(5, 40), elements=st.floats(-1e4, 1e4, width=32)))
def test_the_slope_is_that_of_scipy(value: Floats) -> None:
    time = np.cumsum(1.0 + np.arange(value.size) % 3)
    trend = theil_sen(time, value)
    assert trend is not None
    assert trend.slope == pytest.approx(theilslopes(value, time).slope, rel=1e-9, abs=1e-9)
    assert trend.low <= trend.slope <= trend.high
    assert 0.0 <= trend.memory <= 0.9


@pytest.mark.parametrize("n", [30, 90])
def test_without_memory_the_interval_is_that_of_scipy(n: int) -> None:
    # Alternating noise has negative memory, which is taken as none: then both follow Sen (1968).
    sign = np.where(days(n) % 2 == 0, 1.0, -1.0)
    value = 0.3 * days(n) + sign * np.random.default_rng(2).uniform(1, 2, n)
    trend, other = theil_sen(days(n), value), theilslopes(value, days(n), alpha=0.95)
    assert trend is not None
    assert trend.memory == 0.0
    slopes = np.sort([(value[j] - value[i]) / (j - i) for i in range(n) for j in range(i + 1, n)])
    for mine, theirs in ((trend.low, other.low_slope), (trend.high, other.high_slope)):
        # At most two order statistics apart: the two round outwards and to the nearest.
        assert abs(np.searchsorted(slopes, mine) - np.searchsorted(slopes, theirs)) <= 2


@pytest.mark.parametrize("n", [7, 30, 90])
@pytest.mark.parametrize("memory", [0.0, 0.3, 0.6])
def test_the_interval_covers_the_true_slope(n: int, memory: float) -> None:
    rng = np.random.default_rng(n)
    process = ArmaProcess([1.0, -memory], [1.0])
    noise = process.generate_sample((500, n), axis=1, distrvs=rng.standard_normal, burnin=50)
    trends = [theil_sen(days(n), 0.3 * days(n) + one) for one in noise]
    hits = [trend is not None and trend.low <= 0.3 <= trend.high for trend in trends]
    # Nominal 95 %; the standard error of 500 series is 1 %.
    assert np.mean(hits) >= 0.90
    if n >= 30:
        finite = [t.high - t.low for t in trends if t is not None and math.isfinite(t.high - t.low)]
        assert len(finite) >= 0.9 * 500  # coverage is not bought with endless intervals


def test_noise_without_trend_is_seldom_called_rising() -> None:
    rng = np.random.default_rng(9)
    process = ArmaProcess([1.0, -0.3], [1.0])
    noise = process.generate_sample((500, 30), axis=1, distrvs=rng.standard_normal, burnin=50)
    trends = [theil_sen(days(30), one) for one in noise]
    rising = [t is not None and t.low > 0 and math.isfinite(t.high) for t in trends]
    assert np.mean(rising) <= 0.05  # one side of a 95 % interval: nominal 2.5 %


def test_one_wild_day_does_not_turn_the_trend() -> None:
    value = 900.0 + 2.0 * days(30)
    value[12] = 5000.0
    trend = theil_sen(days(30), value)
    assert trend is not None
    assert trend.slope == pytest.approx(2.0)
    assert trend.level == pytest.approx(958.0)


@pytest.mark.parametrize(("n", "is_fitted"), [(0, False), (4, False), (5, True)])
def test_five_points_make_a_trend(n: int, is_fitted: bool) -> None:
    assert (theil_sen(days(n), days(n)) is not None) == is_fitted


def test_too_few_points_for_an_interval_say_so() -> None:
    trend = theil_sen(days(5), np.array([1.0, 3.0, 2.0, 5.0, 4.0]))
    assert trend is not None
    assert math.isinf(trend.low)
    assert math.isinf(trend.high)


def test_a_level_series_has_no_slope() -> None:
    trend = theil_sen(days(30), np.full(30, 7.0))
    assert trend is not None
    assert (trend.slope, trend.low, trend.high, trend.memory) == (0.0, 0.0, 0.0, 0.0)
