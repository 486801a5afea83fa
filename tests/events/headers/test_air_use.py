"""The air of a header against closed forms and outside numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import constants
from scipy.integrate import solve_ivp

from rowcall.events.headers.air_use import (
    free_air,
    interval_of,
    on_times,
    pressure_at_fires,
    row_interval,
    sag_of,
)
from rowcall.events.headers.idle_pressure import find_decay, find_rests, has_supply
from rowcall.model import Floats, Signal

ATM = constants.atm  # 101,325 Pa exactly, CODATA


@pytest.mark.parametrize("kelvin", [263.15, 293.15, 323.15])
@pytest.mark.parametrize(("before_pa", "after_pa"), [(6e5, 5.2e5), (6e5, 4.5e5), (90e3, 60e3)])
def test_free_air_is_the_ideal_gas_law(kelvin: float, before_pa: float, after_pa: float) -> None:
    """Moles that left, n = dp V / (R T), fill n R T / P_atm; R of CODATA by scipy.constants."""
    volume = 0.25
    moles = [(ATM + p) * volume / (constants.R * kelvin) for p in (before_pa, after_pa)]
    outside = (moles[0] - moles[1]) * constants.R * kelvin / ATM
    assert free_air(volume, before_pa - after_pa) == pytest.approx(outside, rel=1e-12)


def test_free_air_by_hand() -> None:
    # 0.1 m3 from 6.0 to 5.2 bar: 0.1 * 80,000 / 101,325 = 0.07895 m3.
    assert free_air(0.1, 0.8e5) == pytest.approx(0.07895, abs=5e-6)


def train(
    tau_s: float, interval_s: float, *, share: float = 0.22, supply_pa: float = 6e5, n: int = 500
) -> tuple[Floats, Signal]:
    """A header drawn down by a share of its pressure every interval, in closed form, at 1 s."""
    fire = 10.0 + np.arange(n) * interval_s
    time = np.arange(0.0, fire[-1] + interval_s) + 0.3701  # never at the instant of a fire
    left = math.exp(-interval_s / tau_s)
    before = supply_pa * (1 - left) / (1 - (1 - share) * left)  # where the staircase ends
    k = np.maximum(np.searchsorted(fire, time, side="right") - 1, 0)
    deficit = (supply_pa - (1 - share) * before) * np.exp(-(time - fire[k]) / tau_s)
    return fire, Signal(time, np.asarray(np.where(time < fire[0], before, supply_pa - deficit)))


def test_pressure_is_led_on_to_the_fire() -> None:
    fire, header = train(2.2, 4.013)
    left = math.exp(-4.013 / 2.2)
    met = pressure_at_fires(header, fire, tau_s=2.2, plateau_pa=6e5)[1:]
    assert met == pytest.approx(6e5 * (1 - left) / (1 - 0.78 * left), rel=2e-3)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_a_fire_long_before_the_first_sample_meets_an_unknown_pressure() -> None:
    header = Signal(np.arange(50_000.0, 50_100.0), np.full(100, 5e5))
    met = pressure_at_fires(header, np.array([10.0, 50_050.0]), tau_s=2.0, plateau_pa=6e5)
    assert np.isnan(met).tolist() == [True, False]


def test_sag_of_a_staircase() -> None:
    """Bouts of eight: p(k+1) = P - (P - (1 - f) p(k)) r from a full header."""
    left, before = 0.2, [6e5]
    for _ in range(7):
        before.append(6e5 - (6e5 - 0.78 * before[-1]) * left)
    fire = np.concatenate([k * 900.0 + np.arange(8) * 5.0 for k in range(5)])
    sag = sag_of(fire, np.tile(before, 5))
    assert sag is not None
    assert sag.n_bouts == 4  # the first may have been cut by midnight
    assert sag.sag_pa == pytest.approx(6e5 - float(np.median(before[4:])))
    assert sag_of(np.arange(40) * 5.0, np.full(40, 6e5)) is None  # no pause, no first pulse


def test_interval_from_row_to_row() -> None:
    fire = np.arange(60) * 10.0
    turns = np.arange(60) % 2 + 1
    assert interval_of(fire[turns == 1]) == 20.0
    assert row_interval(fire, turns) == 10.0
    apart = np.sort(np.concatenate((fire, fire + 2.5)))  # two controllers side by side
    assert row_interval(apart, np.tile([1, 2], 60)) == 10.0
    assert math.isnan(row_interval(np.empty(0), np.empty(0, np.int64)))


def test_on_times_are_from_rise_to_fall() -> None:
    time = np.array([0.0, 10.0, 10.1, 30.0, 30.15, 50.0, 70.0, 90.0])
    value = np.array([0.0, 1.0, 0.0, 1.0, 0.0, 1.0, 0.0, 1.0])
    # The third is on for 20 s, no pulse; the last has not ended.
    assert on_times(Signal(time, value, step=True)) == pytest.approx([0.1, 0.15])


def blow_down(tau_s: float, seconds: float, noise_pa: float = 0.0) -> Signal:
    """An isothermal vessel that leaks through a choked hole, P(t) = P0 exp(-t / tau) from 600 s."""
    time = np.arange(0.0, seconds)
    absolute = (6e5 + ATM) * np.exp(-np.maximum(time - 600.0, 0.0) / tau_s)
    noise = noise_pa * np.random.default_rng(9).standard_normal(time.size)
    return Signal(time, np.maximum(absolute - ATM, 0.0) + noise)


@pytest.mark.parametrize("tau_s", [40.0, 600.0, 6000.0])
@pytest.mark.parametrize("noise_pa", [0.0, 2e3])
def test_a_blow_down_is_the_closed_form(tau_s: float, noise_pa: float) -> None:
    decay = find_decay(blow_down(tau_s, 5000.0, noise_pa), (30.0, 5000.0))
    assert decay is not None
    assert decay.tau_s == pytest.approx(tau_s, rel=0.02 if noise_pa else 0.01)
    assert decay.loss_pa_s == pytest.approx((6e5 + ATM) / tau_s, rel=0.03)
    assert decay.start_s == pytest.approx(600.0, abs=0.05 * tau_s)


def test_choked_outflow_integrated_by_scipy() -> None:
    """Mass flow Cd A P sqrt(gamma / (R T)) (2 / (gamma + 1))^3 through a 1 mm hole, dry air."""
    kelvin, volume, gamma = 293.15, 0.25, 1.4
    specific = constants.R / 0.0289652  # molar mass of dry air [kg/mol]
    area = math.pi / 4 * 1e-6
    per_pa = area * math.sqrt(gamma / (specific * kelvin)) * (2 / (gamma + 1)) ** 3
    # Of the reference values of this flow: 1 mm, 7 bar absolute, 20 degC give 1.2977e-3 kg/s.
    assert per_pa * 7e5 == pytest.approx(1.2977e-3, rel=2e-3)
    time = np.arange(0.0, 400.0)
    solved = solve_ivp(
        lambda _, p: -p * per_pa * specific * kelvin / volume,
        (0.0, 400.0),
        [6e5 + ATM],
        t_eval=time,
        rtol=1e-9,
    )
    decay = find_decay(Signal(time, solved.y[0] - ATM), (0.0, 400.0))
    assert decay is not None
    lost = free_air(volume, decay.loss_pa_s)
    density = ATM / (specific * kelvin)
    started = solved.y[0][int(decay.start_s)]
    assert lost == pytest.approx(per_pa * started / density, rel=0.005)


def leak_from(gauge_pa: float) -> Signal:
    """An isothermal vessel that leaks from 600 s on; tau 600 s while the hole is choked.

    Outflow by de Saint-Venant and Wantzel, with x = P_atm / P no less than the critical ratio.
    """
    k, critical = 1.4, 0.52828

    def shape(x: Floats) -> Floats:
        return np.asarray(np.sqrt(x ** (2 / k) - x ** ((k + 1) / k)))

    def slope(_: float, p: Floats) -> Floats:
        x = np.clip(ATM / p, critical, 1.0)
        return np.asarray(-p / 600.0 * shape(x) / shape(np.array(critical)))

    time = np.arange(0.0, 900.0)
    solved = solve_ivp(slope, (0.0, 900.0), [gauge_pa + ATM], t_eval=time, rtol=1e-9, atol=1e-3)
    gauge = np.concatenate((np.full(600, gauge_pa), solved.y[0] - ATM))
    return Signal(np.arange(0.0, 1500.0), gauge)


@pytest.mark.parametrize("gauge_bar", [1.0, 1.2, 1.7, 3.0])
def test_only_what_is_choked_is_fitted(gauge_bar: float) -> None:
    """0.905 bar gauge and more: (1 / 0.52828 - 1) of an atmosphere."""
    decay = find_decay(leak_from(1e5 * gauge_bar), (0.0, 1500.0))
    assert decay is not None
    assert decay.tau_s == pytest.approx(600.0, rel=1e-3)


@pytest.mark.parametrize("gauge_bar", [0.5, 0.9])
def test_a_header_too_low_for_a_choked_hole_shows_no_decay(gauge_bar: float) -> None:
    assert find_decay(leak_from(1e5 * gauge_bar), (0.0, 1500.0)) is None


@pytest.mark.parametrize("sag", [0.0, 0.10])
def test_a_supply_that_sags_is_no_blow_down(sag: float) -> None:
    time = np.arange(0.0, 3000.0)
    value = 6e5 * (1 - sag * np.clip((time - 600.0) / 300.0, 0, 1))
    noisy = value + 2e3 * np.random.default_rng(2).standard_normal(time.size)
    assert find_decay(Signal(time, noisy), (30.0, 3000.0)) is None


def test_rests_are_what_lies_between_fires() -> None:
    fire = np.array([100.0, 110.0, 120.0, 1000.0])
    assert find_rests(fire, 0.0, 1020.0) == [(30.0, 100.0), (150.0, 1000.0)]
    assert find_rests(np.empty(0), 0.0, 86400.0) == [(30.0, 86400.0)]


def test_another_header_shows_whether_the_supply_fell_with_a_decay() -> None:
    """One that is pulsed comes back as high as before, or only to a supply that falls too."""
    leaky = blow_down(1500.0, 5000.0, 300.0)
    decay = find_decay(leaky, (30.0, 5000.0))
    assert decay is not None
    time_s = np.arange(0.0, 5000.0, 5.0)
    pulsed = 6e5 - 1e5 * np.exp(-np.mod(time_s, 40.0) / 4.0)
    steady, falling = (
        Signal(time_s, pulsed * share)
        for share in (1.0, 1.0 - 0.2 * np.clip((time_s - decay.start_s) / 400.0, 0.0, 1.0))
    )
    begun_late = Signal(time_s[time_s > decay.end_s], pulsed[time_s > decay.end_s])
    assert has_supply(decay, leaky, [steady])
    assert has_supply(decay, leaky, [falling, steady])
    assert not has_supply(decay, leaky, [falling])
    assert not has_supply(decay, leaky, [begun_late])
    assert not has_supply(decay, leaky, [])
