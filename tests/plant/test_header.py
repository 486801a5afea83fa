"""The simulated header against the closed forms and an independent integration."""

import numpy as np
import pytest

from rowcall_plant.arrays import FloatArray
from rowcall_plant.physics.header import Blows, Calls, at_rest, blow_down, pressure_at

SET_PA = 6.0e5
OPENING_S = 0.15


def blow(
    fire_s: list[float],
    drop: list[float],
    *,
    tau_s: float = 2.0,
    late_s: float = 0.0,
    late_flow: float = 0.0,
) -> Blows:
    n = len(fire_s)
    calls = Calls(
        unix_s=np.array(fire_s),
        drop_frac=np.array(drop),
        late_s=np.full(n, late_s),
        late_flow_frac=np.full(n, late_flow),
        tau_s=np.full(n, tau_s),
        supply_pa=np.full(n, SET_PA),
    )
    return blow_down(calls, at_rest(0.0, SET_PA, tau_s), OPENING_S)


def curve(blows: Blows, at_s: FloatArray) -> FloatArray:
    return pressure_at(at_s, blows, np.full(len(at_s), SET_PA), OPENING_S)


# First-order refill: time to a share of the drop is -tau ln(1 - share). The times for tau = 8 s
# are the check table "Exponential refill" worked out by hand from that formula.
@pytest.mark.parametrize(
    ("share", "after_s"), [(0.50, 5.545), (0.90, 18.42), (0.95, 23.97), (0.99, 36.84)]
)
def test_refill_follows_the_closed_form(share: float, after_s: float) -> None:
    blows = blow([10.0], [0.25], tau_s=8.0)
    at_s = np.arange(10.0 + OPENING_S, 80.0, 0.001)
    pressure = curve(blows, at_s)
    lowest = pressure[0]
    reached = at_s[np.argmax(pressure >= lowest + share * (SET_PA - lowest))]
    assert reached - at_s[0] == pytest.approx(after_s, abs=0.006)


def test_ninety_five_percent_of_the_drop_takes_three_time_constants() -> None:
    blows = blow([10.0], [0.3], tau_s=2.5)
    closed_s = 10.0 + OPENING_S
    left = SET_PA - curve(blows, np.array([closed_s, closed_s + 2.9957 * 2.5]))
    assert left[1] / left[0] == pytest.approx(0.05, rel=1e-4)


def test_drop_happens_within_the_opening() -> None:
    blows = blow([10.0], [0.3])
    pressure = curve(blows, np.array([9.999, 10.0, 10.075, 10.15]))
    assert pressure[:2] == pytest.approx([SET_PA, SET_PA])
    assert pressure[2] == pytest.approx(SET_PA * np.sqrt(0.7))
    assert pressure[3] == pytest.approx(SET_PA * 0.7)


def test_silent_row_shows_no_drop_and_the_next_starts_higher() -> None:
    fires = [10.0, 15.0, 20.0]
    silent, healthy = blow(fires, [0.3, 0.0, 0.3]), blow(fires, [0.3, 0.3, 0.3])
    at_s = np.arange(14.0, 20.0, 0.05)
    assert np.all(np.diff(curve(silent, at_s)) > 0.0)
    assert silent.before_pa[3] > healthy.before_pa[3]


def test_drawn_out_row_is_deeper_and_its_minimum_later() -> None:
    at_s = np.arange(10.0, 14.0, 0.001)
    healthy = curve(blow([10.0], [0.25]), at_s)
    drawn_out = curve(blow([10.0], [0.25], late_s=1.0, late_flow=0.3), at_s)
    assert drawn_out.min() < healthy.min() - 0.1 * SET_PA
    assert at_s[healthy.argmin()] == pytest.approx(10.15, abs=0.002)
    assert at_s[drawn_out.argmin()] == pytest.approx(11.15, abs=0.002)


def test_late_closing_agrees_with_step_by_step_integration() -> None:
    tau_s, late_s, flow = 2.0, 1.2, 0.4
    blows = blow([10.0], [0.25], tau_s=tau_s, late_s=late_s, late_flow=flow)
    outflow_1_s = -np.log(0.75) / OPENING_S
    pressure, step_s = 0.75 * SET_PA, 1e-5
    for _ in range(round(late_s / step_s)):
        pressure += step_s * ((SET_PA - pressure) / tau_s - flow * outflow_1_s * pressure)
    assert blows.minimum_pa[1] == pytest.approx(pressure, rel=1e-5)


def test_too_short_an_interval_sags_to_an_equilibrium() -> None:
    interval_s, tau_s, drop = 4.0, 3.0, 0.3
    blows = blow([10.0 + interval_s * k for k in range(30)], [drop] * 30, tau_s=tau_s)
    before = blows.before_pa[1:]
    assert np.all(np.diff(before) <= 0.0)
    # Fixed point of b = p_s - (p_s - (1 - d) b) exp(-(interval - opening) / tau).
    decay = np.exp(-(interval_s - OPENING_S) / tau_s)
    assert before[-1] == pytest.approx(SET_PA * (1 - decay) / (1 - (1 - drop) * decay), rel=1e-6)
