"""The trend against statsmodels, scipy and published numbers, and its intervals in simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import toeplitz
from scipy.stats import t as student
from scipy.stats import theilslopes

from rowcall.diagnosis import trend as trends
from rowcall.diagnosis.trend import Trend, fit_trend
from rowcall.model import Floats


def days(n: int) -> Floats:
    return np.arange(n, dtype=np.float64)


def fitted(value: Floats, log_flow: Floats | None = None) -> Trend:
    trend = fit_trend(days(value.size), value, log_flow)
    assert trend is not None
    return trend


def interval(trend: Trend) -> tuple[float, float]:
    return trend.rate_quantile(0.025), trend.rate_quantile(0.975)


@pytest.mark.parametrize("memory", [0.0, 0.6])
def test_one_covariance_is_the_least_squares_of_statsmodels(
    monkeypatch: pytest.MonkeyPatch, memory: float
) -> None:
    from statsmodels import api as sm  # loads for a second: only where it is wanted

    for name, value in {"_MEMORY": (memory,), "_WEEKLY": (0.0,), "_P_BENT": 1e-12}.items():
        monkeypatch.setattr(trends, name, value)
    monkeypatch.setattr(trends, "_NOISE_N", 0.0)
    value = 900 + 2.0 * days(25) + 10 * np.random.default_rng(3).standard_normal(25)
    x = sm.add_constant(days(25) - 24)
    other = sm.GLS(value, x, sigma=toeplitz(memory ** days(25))).fit()
    trend = fitted(value)
    assert (trend.end, trend.rate) == pytest.approx(tuple(other.params), rel=1e-6)
    assert interval(trend) == pytest.approx(tuple(other.conf_int()[1]), abs=0.01)
    ahead = sm.GLS(value, x, sigma=toeplitz(memory ** days(25))).fit().get_prediction([[1.0, 10.0]])
    sd = np.hypot(ahead.se_mean[0], np.sqrt(other.scale))  # noise ten days later is new
    limit = float(ahead.predicted_mean[0] + sd)
    above = float(trend.p_above(limit, np.array([10.0]))[0])
    assert above == pytest.approx(student.sf(1.0, 23), abs=0.002)


def test_the_example_of_statsmodels() -> None:
    # GLSAR's docstring: slope 1.6085, standard error 0.0738 (t 21.80).
    low, high = interval(fitted(np.array([1.0, 3.0, 4.0, 5.0, 8.0, 10.0, 9.0])))
    assert low < 1.6085 < high


def test_the_slope_of_the_nile() -> None:
    from statsmodels import api as sm

    # Sen's slope -2.6 a year, as shipped with statsmodels, by scipy and pymannkendall 1.4.3.
    nile = sm.datasets.nile.load_pandas().data["volume"].to_numpy().astype(np.float64)
    assert theilslopes(nile, days(100)).slope == pytest.approx(-2.6, abs=1e-9)
    trend = fitted(nile)
    assert trend.rise / 99 == pytest.approx(-2.6, abs=1.3)  # two levels: a line fits badly


@pytest.mark.parametrize("dof", [5.0, 8.0, 30.0])
def test_the_tail_of_students_t(dof: float) -> None:
    """One fit of level 0 and error 1 a day: the chance of lying above a limit is a tail area."""
    one = Trend(
        weight=np.ones(1),
        level=np.zeros(1),
        slope=np.zeros(1),
        spread=np.zeros((1, 2, 2)),
        climb=np.zeros(1),
        climb_error=np.ones(1),
        noise=np.ones(1),
        dof=dof,
        exponent=1.0,
        n=int(dof),
    )
    t = np.linspace(-8, 8, 81)
    above = [float(one.p_above(-at, np.zeros(1))[0]) for at in t]
    assert above == pytest.approx(student.cdf(t, dof), abs=0.002)


@pytest.mark.parametrize(("n", "memory"), [(7, 0.0), (30, 0.3), (30, 0.6), (90, 0.3)])
def test_the_interval_covers_the_true_rate(n: int, memory: float) -> None:
    from statsmodels.tsa.arima_process import ArmaProcess

    rng = np.random.default_rng(n)
    process = ArmaProcess([1.0, -memory], [1.0])
    noise = process.generate_sample((40, n), axis=1, distrvs=rng.standard_normal, burnin=50)
    found = [fitted(900 + 3.0 * days(n) + 9 * one) for one in noise]
    hits = [low <= 3.0 <= high for low, high in map(interval, found)]
    assert np.mean(hits) >= 0.9  # nominal 0.95, standard error 0.035


@pytest.mark.parametrize("memory", [0.0, 0.6])
def test_the_chance_of_no_rise_is_kept(memory: float) -> None:
    """Of series that wander about a level, no more are called risen for sure than stated."""
    from statsmodels.tsa.arima_process import ArmaProcess

    process = ArmaProcess([1.0, -memory], [1.0])
    rng = np.random.default_rng(17)
    noise = process.generate_sample((100, 30), axis=1, distrvs=rng.standard_normal, burnin=50)
    chances = np.array([fitted(900 + 9 * one).p_no_rise for one in noise])
    assert np.mean(chances < 0.05) <= 0.1  # standard error 0.022
    assert fitted(900 + 2.0 * days(30) + 9 * noise[0]).p_no_rise < 0.01


def test_a_change_of_rate_is_seen() -> None:
    value = 900 + 9.0 * np.maximum(days(40) - 25, 0) + quiet(40)
    trend = fitted(value)
    assert trend.p_no_rise < 1e-3
    assert trend.rate == pytest.approx(9.0, rel=0.15)
    assert trend.rise == pytest.approx(9.0 * 14, rel=0.15)


@pytest.mark.parametrize("exponent", [0.2, 1.0, 1.7])
def test_how_far_values_follow_flow_is_learnt(exponent: float) -> None:
    log_flow = np.log(1 - 0.3 * (days(28) % 7 >= 5))
    value = (900 + 3.0 * days(28) + quiet(28)) * np.exp(exponent * log_flow)
    trend = fitted(value, log_flow)
    assert trend.exponent == pytest.approx(exponent, abs=0.1)
    assert trend.rate == pytest.approx(3.0, abs=1.0)


def test_a_weekly_pattern_is_no_trend() -> None:
    value = 900 - 90 * (days(20) % 7 >= 5) + quiet(20)
    low, high = interval(fitted(value))
    assert low < 0 < high


def quiet(n: int) -> Floats:
    return 5 * np.random.default_rng(8).standard_normal(n)


def test_one_wild_day_does_not_turn_the_trend() -> None:
    value = 900.0 + 2.0 * days(30)
    value[12] = 5000.0
    trend = fitted(value)
    assert trend.rate == pytest.approx(2.0, rel=1e-3)
    assert trend.end == pytest.approx(958.0, rel=1e-3)


@pytest.mark.parametrize(("n", "is_fitted"), [(0, False), (4, False), (5, True)])
def test_five_points_make_a_trend(n: int, is_fitted: bool) -> None:
    assert (fit_trend(days(n), 900 + days(n)) is not None) == is_fitted


def test_a_level_series_has_no_slope() -> None:
    trend = fitted(np.full(30, 7.0))
    assert trend.rate == pytest.approx(0.0, abs=1e-6)
    assert trend.end == pytest.approx(7.0)
