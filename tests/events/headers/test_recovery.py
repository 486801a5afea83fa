"""The refill fit against the closed form of a first-order fill, and its own stated error."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rowcall.events.headers.recovery import T95, fit_refill
from rowcall.model import Floats

PLATEAU_PA, DEPTH_PA = 6.0e5, 1.4e5


def fill(since_s: Floats, tau_s: float, depth_pa: float = DEPTH_PA) -> Floats:
    """p(t) = p_s - d exp(-t / tau): the first-order fill, in closed form."""
    pressure_pa: Floats = PLATEAU_PA - depth_pa * np.exp(-since_s / tau_s)
    return pressure_pa


def test_95_percent_is_made_good_after_three_time_constants() -> None:
    assert pytest.approx(math.log(20)) == T95
    lost = (PLATEAU_PA - fill(np.array([T95 * 2.0]), 2.0)) / DEPTH_PA
    assert lost[0] == pytest.approx(0.05)
    # The check table of an exponential refill, tau 8 s, worked out by hand: 95 % in 23.97 s.
    assert pytest.approx(23.97, abs=0.01) == T95 * 8.0


@pytest.mark.parametrize("tau_s", [0.5, 1.0, 2.2, 5.0, 12.0])
@pytest.mark.parametrize("is_regular", [True, False])
def test_without_noise_the_fit_is_the_closed_form(tau_s: float, is_regular: bool) -> None:
    rng = np.random.default_rng(3)
    since = np.arange(25.0) if is_regular else np.concatenate(([0.0], rng.uniform(0, 25, 24)))
    since = np.sort(since * min(1.0, tau_s))[None, :]
    fit = fit_refill(since, fill(since, tau_s), 0.0)
    assert fit.tau_s[0] == pytest.approx(tau_s, rel=1e-3)
    assert fit.plateau_pa[0] == pytest.approx(PLATEAU_PA, rel=1e-4)
    assert fit.depth_pa[0] == pytest.approx(DEPTH_PA, rel=2e-3)


def test_pulses_of_different_length_are_fitted_apart() -> None:
    since = np.tile(np.arange(20.0), (3, 1))
    since[1, 9:] = np.nan
    tau = np.array([[1.5], [3.0], [6.0]])
    fit = fit_refill(since, PLATEAU_PA - DEPTH_PA * np.exp(-since / tau), 0.0)
    assert fit.tau_s == pytest.approx(tau[:, 0], rel=1e-3)


@pytest.mark.parametrize(("n_points", "is_fitted"), [(3, False), (4, True)])
def test_three_unknowns_ask_for_four_points(n_points: int, is_fitted: bool) -> None:
    since = np.full((1, 10), np.nan)
    since[0, :n_points] = np.arange(n_points)
    fit = fit_refill(since, fill(since, 2.0), 0.0)
    assert np.isfinite([fit.tau_s[0], fit.plateau_pa[0], fit.log_error[0]]).all() == is_fitted


@pytest.mark.parametrize(
    "pressure",
    [
        np.full(20, PLATEAU_PA),  # nothing to refill
        PLATEAU_PA + DEPTH_PA * np.exp(-np.arange(20.0) / 3),  # falls instead of filling
        PLATEAU_PA + 1e3 * np.arange(20.0),  # straight: no time constant to be seen
    ],
    ids=["level", "falling", "straight"],
)
def test_what_is_no_refill_is_not_fitted(pressure: Floats) -> None:
    fit = fit_refill(np.arange(20.0)[None, :], pressure[None, :], 0.0)
    assert np.isnan(fit.tau_s[0])


def test_many_pulses_are_fitted_as_one_by_one() -> None:
    rng = np.random.default_rng(8)
    since = np.tile(np.arange(12.0), (5000, 1))  # more than one chunk
    pressure = fill(since, 2.5) + 500.0 * rng.standard_normal(since.shape)
    together = fit_refill(since, pressure, 500.0)
    for k in (0, 4095, 4096, 4999):
        alone = fit_refill(since[k : k + 1], pressure[k : k + 1], 500.0)
        assert together.tau_s[k] == pytest.approx(alone.tau_s[0], rel=1e-12)


@pytest.mark.parametrize("tau_s", [1.2, 2.2, 4.0])
@pytest.mark.parametrize("noise_pa", [500.0, 2000.0, 5000.0])
def test_the_stated_error_covers_the_true_time_constant(tau_s: float, noise_pa: float) -> None:
    rng = np.random.default_rng(21)
    n = 3000
    phase = rng.uniform(0, 1, (n, 1))  # the first sample comes at any time after the minimum
    depth = DEPTH_PA * np.exp(-phase / tau_s)
    since = np.tile(np.arange(18.0), (n, 1))
    pressure = PLATEAU_PA - depth * np.exp(-since / tau_s)
    fit = fit_refill(since, pressure + noise_pa * rng.standard_normal(since.shape), noise_pa)
    z = np.log(fit.tau_s / tau_s) / fit.log_error
    assert np.isfinite(z).mean() > 0.99
    z = z[np.isfinite(z)]
    # Nominal 95 %; the floor of the variance at the stated noise makes it a little cautious.
    assert 0.93 <= (np.abs(z) < 1.96).mean() <= 0.99
    assert abs(np.median(np.log(fit.tau_s / tau_s)[np.isfinite(fit.tau_s)])) < 0.02
