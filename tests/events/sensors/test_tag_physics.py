"""What tags show of themselves, on signals whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.condition.flat_runs import flat_runs
from rowcall.events.sensors.dp_physics import at_rest, follows_flow, swing
from rowcall.events.sensors.pairs import apart, lag_min
from rowcall.events.sensors.still import (
    longest_flat,
    longest_pulsed,
    longest_tied,
    noise_steps,
    resolution,
)
from rowcall.model import Floats, Signal

MINUTES = np.arange(1440)
ALWAYS = np.ones(1440, np.bool_)


def walk(seed: int, size: float = 1.0) -> Floats:
    steps = np.random.default_rng(seed).standard_normal(1440)
    return size * np.convolve(steps, np.ones(15) / np.sqrt(15.0), "same")


def held(value: Floats, begin: int, end: int) -> Floats:
    out = value.copy()
    out[begin:end] = out[begin]
    return out


def test_runs_of_one_value_are_those_that_last() -> None:
    at = np.arange(0.0, 86_400.0, 60.0)
    value = held(held(walk(1), 100, 105), 300, 500)
    runs = flat_runs(at, value)
    assert runs.begin_s.tolist() == [18_000.0]
    assert runs.end_s.tolist() == [60.0 * 499]
    assert flat_runs(at[:0], value[:0]).begin_s.size == 0
    half = np.arange(1440) < 400  # of the 200 points of the run, 100 hold
    assert runs.mostly(half).begin_s.size == 0
    assert runs.mostly(np.arange(1440) < 401).begin_s.size == 1


def test_a_run_counts_while_the_tag_should_be_alive() -> None:
    runs = flat_runs(60.0 * MINUTES, held(walk(1), 300, 501))
    assert longest_flat(runs, ALWAYS) == 200 * 60.0
    assert longest_flat(runs, MINUTES < 400) == 100 * 60.0
    assert longest_flat(runs, MINUTES > 600) == 0.0


@pytest.mark.parametrize(("moves_k", "is_tied"), [(4.0, False), (7.0, True)])
def test_a_run_is_tied_where_the_other_temperature_moved(moves_k: float, is_tied: bool) -> None:
    runs = flat_runs(60.0 * MINUTES, held(walk(1), 300, 501))
    other = 150.0 + moves_k * (MINUTES - 300) / 200
    found = longest_tied(runs, ALWAYS, other, is_temperature=True)
    assert (found > 0) is is_tied


def test_a_header_is_tied_to_the_pulses_within_its_run() -> None:
    runs = flat_runs(60.0 * MINUTES, held(walk(1), 300, 501))
    within = np.linspace(18_010.0, 29_990.0, 20)
    assert longest_pulsed(runs, ALWAYS, within, 20) == 200 * 60.0
    assert longest_pulsed(runs, ALWAYS, within - 40_000.0, 20) == 0.0


@pytest.mark.parametrize(("step", "fine"), [(0.1, True), (20.0, False)])
def test_noise_is_counted_in_steps_of_resolution(step: float, fine: bool) -> None:
    value = np.round((100.0 + np.random.default_rng(1).standard_normal(5000)) / step) * step
    signal = Signal(np.arange(5000.0), value)
    if fine:
        assert resolution(value) == pytest.approx(step)
        assert noise_steps(signal) == pytest.approx(10.0, rel=0.1)
    else:
        assert not noise_steps(signal) >= 0.5


def test_a_first_order_lag_takes_the_swing_of_dp() -> None:
    saw = 1000.0 + 300.0 * ((MINUTES % 15) / 15.0 - 0.5)
    lagged = np.convolve(saw, np.ones(60) / 60.0, "same")
    assert swing(saw, ALWAYS) == pytest.approx(100.0, abs=20.0)
    assert swing(lagged, ALWAYS) < 10.0
    assert np.isnan(swing(saw, MINUTES < 60))


def test_dp_that_follows_flow_is_seen_to_and_other_dp_is_not() -> None:
    flow = 10.0 + walk(3, 0.5)
    free = follows_flow(1000.0 * (flow / 10.0) + walk(4, 20.0), flow, ALWAYS)
    plugged = follows_flow(1000.0 + walk(5, 20.0), flow, ALWAYS)
    assert abs(free.gain - 1.0) < 2 * free.error < 0.4
    assert abs(plugged.gain) < 2.5 * plugged.error


def test_zero_is_read_once_the_gas_has_settled() -> None:
    still = (MINUTES >= 600) & (MINUTES < 700)
    dp = np.where(still, 40.0, 1000.0 + walk(6, 30.0)) + np.random.default_rng(1).normal(0, 1, 1440)
    dp[600:605] = 900.0
    assert at_rest(dp, still, ~still) == pytest.approx(40.0, abs=1.0)
    assert np.isnan(at_rest(dp, (MINUTES >= 600) & (MINUTES < 615), ~still))


def test_gas_that_is_said_to_stand_but_shows_in_dp_gives_no_zero() -> None:
    """A flow tag stuck at 0, say."""
    still = (MINUTES >= 600) & (MINUTES < 700)
    dp = 1000.0 + np.random.default_rng(1).normal(0, 10, 1440)
    assert np.isnan(at_rest(dp, still, ~still))


def test_the_odd_tag_reads_apart_from_the_median_of_the_others() -> None:
    base = 1000.0 + walk(7, 50.0)
    found = apart({0: base, 1: base, 2: base + 90.0}, ALWAYS)
    assert found == pytest.approx({0: -45.0, 1: -45.0, 2: 90.0})
    assert apart({0: base}, ALWAYS) == {}
    assert apart({0: base, 1: base}, MINUTES < 30) == {}


@pytest.mark.parametrize("lag", [-6, 0, 6])
def test_the_later_of_two_is_found(lag: int) -> None:
    base = walk(8, 2.0)
    later = 140.0 + np.roll(base, lag) + np.random.default_rng(2).normal(0, 0.2, 1440)
    assert lag_min(150.0 + base, later, ALWAYS) == pytest.approx(lag, abs=1)
    assert np.isnan(lag_min(150.0 + base, 140.0 + walk(9, 2.0), ALWAYS))
