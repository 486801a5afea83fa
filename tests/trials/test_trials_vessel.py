"""The vessel of the second simulator against closed forms and another integrator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import constants
from scipy.integrate import solve_ivp

from trials.flow import (
    AIR_KG_MOL,
    ATMOSPHERE_PA,
    CHOKED,
    CRITICAL,
    R_AIR,
    Valve,
    area_for_drop,
    outflow_kg_s_m2,
)
from trials.schedule import Floats
from trials.vessel import Curves, Openings, Vessel, rates, solve

KELVIN = 293.15
START_PA = 6.0e5 + ATMOSPHERE_PA
CLOSED = Vessel(
    volume_m3=0.1,
    n=1.0,
    wall_k=KELVIN,
    warming_s=np.inf,
    feed_kg_s_pa05=0.0,
    softness_pa=1.0,
    valve=Valve(),
)


def level(at_s: Floats) -> Floats:
    return np.full(at_s.size, START_PA)


def one_call(area_m2: float, late_s: float = 0.0, late_flow: float = 0.0) -> Openings:
    return Openings(np.array([1.0]), np.array([area_m2]), np.array([late_s]), np.array([late_flow]))


def hung_open_s(curves: Curves, valve: Valve) -> Floats:
    """Integral of the opening of a valve that stays open after its signal, up to each node."""
    return curves.node_s - valve.opens_s * (1.0 - np.exp(-curves.node_s / valve.opens_s))


# Check table worked out by hand from the isentropic nozzle, g = 1.4, R = 287.05 J/(kg K), Cd 1.
@pytest.mark.parametrize(
    ("bore_mm", "absolute_pa", "kg_s"),
    [(1.0, 7e5, 1.2977e-3), (3.0, 7e5, 0.011680), (10.0, 7e5, 0.12977), (25.0, 6e5, 0.6952)],
)
def test_choked_flow_through_a_hole(bore_mm: float, absolute_pa: float, kg_s: float) -> None:
    area_m2 = np.pi / 4.0 * (1e-3 * bore_mm) ** 2
    flow = area_m2 * outflow_kg_s_m2(np.array([absolute_pa]), np.array([KELVIN]))
    assert flow[0] == pytest.approx(kg_s, rel=1e-4)


def test_constants_are_those_of_dry_air() -> None:
    assert pytest.approx(287.05287, rel=3e-5) == R_AIR  # ISO 2533
    assert pytest.approx(0.52828, abs=1e-5) == CRITICAL
    assert pytest.approx(0.040415, rel=3e-5) == CHOKED


@pytest.mark.parametrize("ratio", [0.53, 0.7, 0.9, 0.999])
def test_unchoked_flow_follows_de_saint_venant_and_wantzel(ratio: float) -> None:
    before = ATMOSPHERE_PA / ratio
    heat = 2.0 * 1.4 / (0.4 * R_AIR * KELVIN)
    book = before * np.sqrt(heat * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4)))
    flow = outflow_kg_s_m2(np.array([before]), np.array([KELVIN]))
    assert flow[0] == pytest.approx(book, rel=1e-9)


def test_nothing_flows_at_the_pressure_of_the_atmosphere() -> None:
    flow = outflow_kg_s_m2(np.array([ATMOSPHERE_PA, 0.9 * ATMOSPHERE_PA]), np.full(2, KELVIN))
    assert flow == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("n", [1.0, 1.2, 1.4])
def test_choked_blow_down_follows_the_closed_form(n: float) -> None:
    """Isothermal: exponential. Polytropic: (1 + (n-1)/2 q)^(-2n/(n-1))."""
    vessel = replace(CLOSED, n=n, valve=Valve(signal_s=2.5))  # open all the while
    area_m2 = 2e-4
    curves = solve(vessel, one_call(area_m2, late_s=2.0, late_flow=1.0), level, 60.0)
    q = CHOKED * R_AIR * np.sqrt(KELVIN) * area_m2 / 0.1 * hung_open_s(curves, vessel.valve)
    share = np.exp(-q) if n == 1.0 else (1.0 + (n - 1.0) / 2.0 * q) ** (-2.0 * n / (n - 1.0))
    choked = (share * START_PA * CRITICAL > ATMOSPHERE_PA) & (curves.node_s < 2.0)
    assert choked.sum() > 50
    assert curves.pressure_pa[0, choked] / START_PA == pytest.approx(share[choked], rel=2e-5)


@pytest.mark.parametrize("n", [1.0, 1.3])
def test_the_area_gives_the_drop_it_was_made_for(n: float) -> None:
    vessel = replace(CLOSED, n=n)
    area = area_for_drop(np.array([0.2]), vessel.volume_m3, n, KELVIN, vessel.valve.open_s)
    curves = solve(vessel, one_call(float(area[0])), level, 60.0)
    assert curves.pressure_pa[0, -1] / START_PA == pytest.approx(0.8, rel=1e-4)


# Check table: 0.1 m3 from 6.0 to 5.2 bar gauge gives 0.07895 m3 of free air, 0.09507 kg.
def test_free_air_of_a_pulse_is_volume_times_drop_over_the_atmosphere() -> None:
    start_pa, end_pa = 6.0e5 + ATMOSPHERE_PA, 5.2e5 + ATMOSPHERE_PA
    area = area_for_drop(np.array([1.0 - end_pa / start_pa]), 0.1, 1.0, KELVIN, 0.1)
    curves = solve(CLOSED, one_call(float(area[0])), level, 60.0)
    mass = curves.pressure_pa[0] * 0.1 * AIR_KG_MOL / (constants.R * curves.kelvin[0])
    drop_pa = curves.pressure_pa[0, 0] - curves.pressure_pa[0, -1]
    lost = float(mass[0] - mass[-1])
    free_m3 = lost * constants.R * KELVIN / (AIR_KG_MOL * constants.atm)
    assert free_m3 == pytest.approx(0.1 * drop_pa / constants.atm, rel=1e-9)
    assert free_m3 / drop_pa * 0.8e5 == pytest.approx(0.07895, rel=2e-4)
    assert lost / drop_pa * 0.8e5 == pytest.approx(0.09507, rel=2e-4)


def test_an_adiabatic_vessel_loses_less_mass_for_the_same_drop() -> None:
    """Check table: adiabatic over isothermal mass, 6.0 to 5.2 bar gauge: 0.7265."""
    end_pa = 5.2e5 + ATMOSPHERE_PA
    curves = solve(replace(CLOSED, n=1.4), one_call(2e-4, 2.0, 1.0), level, 60.0)
    mass = curves.pressure_pa[0] * 0.1 / (R_AIR * curves.kelvin[0])
    falling = curves.node_s < 2.0
    left = np.interp(-end_pa, -curves.pressure_pa[0, falling], mass[falling])
    isothermal = 0.8e5 * 0.1 / (R_AIR * KELVIN)
    assert (mass[0] - left) / isothermal == pytest.approx(0.7265, rel=1e-3)


def test_a_laminar_feed_fills_first_order() -> None:
    softness_pa, tau_s = 1e14, 2.5
    conductance = 0.1 * np.sqrt(softness_pa) / (tau_s * R_AIR * KELVIN)
    vessel = replace(CLOSED, feed_kg_s_pa05=conductance, softness_pa=softness_pa)
    curves = solve(vessel, one_call(3e-4), level, 90.0)
    short = START_PA - curves.pressure_pa[0]
    shut = (curves.node_s >= 1.5) & (curves.node_s < 12.0)
    expected = short[shut][0] * np.exp(-(curves.node_s[shut] - curves.node_s[shut][0]) / tau_s)
    assert short[shut] == pytest.approx(expected, rel=1e-4)


def test_an_orifice_feed_fills_by_the_square_root() -> None:
    """With dp/dt = k sqrt(d), sqrt(d) falls in a straight line, k/2 a second."""
    k = 100.0  # [Pa^0.5/s]
    vessel = replace(CLOSED, feed_kg_s_pa05=k * 0.1 / (R_AIR * KELVIN), softness_pa=1e-3)
    curves = solve(vessel, one_call(3e-4), level, 3.0)
    root = np.sqrt(START_PA - curves.pressure_pa[0])
    shut = (curves.node_s >= 1.2) & (curves.node_s < 2.9)
    assert np.diff(root[shut]) / np.diff(curves.node_s[shut]) == pytest.approx(-k / 2.0, rel=1e-3)


def test_a_vessel_left_alone_warms_and_its_pressure_comes_back() -> None:
    vessel = replace(CLOSED, n=1.4, warming_s=5.0)
    curves = solve(vessel, one_call(6e-4), level, 60.0)
    kelvin, pressure = curves.kelvin[0], curves.pressure_pa[0]
    assert kelvin.min() < KELVIN - 10.0
    assert kelvin[-1] == pytest.approx(KELVIN, abs=0.1)
    assert pressure[-1] > pressure.min() * 1.03


def test_calls_side_by_side_agree_with_an_integration_in_sequence() -> None:
    vessel = replace(CLOSED, n=1.25, warming_s=15.0, feed_kg_s_pa05=8e-5, softness_pa=2e3)
    openings = Openings(
        fire_s=np.arange(1.0, 17.0, 5.0),
        area_m2=np.array([3e-4, 3e-4, 1.2e-4, 0.0]),
        late_s=np.array([0.0, 1.1, 0.0, 0.0]),
        late_flow=np.array([0.0, 0.8, 0.0, 0.0]),
    )
    curves = solve(vessel, openings, level, 21.0)
    state = np.array([START_PA, START_PA * 0.1 / (R_AIR * KELVIN)])
    for call in range(4):
        one = Openings(*(getattr(openings, name)[[call]] for name in Openings.__slots__))

        def slope(t: float, y: Floats, one: Openings = one) -> Floats:
            open_m2 = one.area_m2 * vessel.valve.opening(t, one.late_s, one.late_flow)
            return np.concatenate(rates(vessel, y[:1], y[1:], level(y[:1]), open_m2))

        done = solve_ivp(
            slope,
            (0.0, 5.0),
            state,
            method="RK45",
            max_step=0.02,
            t_eval=curves.node_s[curves.node_s <= 5.0],
            rtol=1e-8,
        )
        mine = curves.pressure_pa[call, : done.t.size]
        assert mine == pytest.approx(done.y[0], abs=60.0)  # a quarter of a transmitter's step
        state = done.y[:, -1]
    assert curves.pressure_pa[2, 0] < 0.9 * START_PA  # the late valve was felt by the next call


def test_starts_that_do_not_settle_are_told() -> None:
    """A feed that is no number must not pass for a solution."""
    with pytest.raises(ArithmeticError, match="no number"):
        solve(
            CLOSED,
            Openings(*np.array([[1.0, 5.0], [2e-4] * 2, [0.0] * 2, [0.0] * 2])),
            lambda at_s: np.full(at_s.size, np.nan),
            10.0,
        )
