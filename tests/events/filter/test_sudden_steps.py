"""Sudden steps of drag: found at their minute, sized within their error, and nothing else."""

from __future__ import annotations

import math

import numpy as np
import pytest
from helpers.fall_days import AT_S, DAY_S, Mode, casing, house, signals_of, steps_of

from rowcall.events.filter.sudden_steps import Step, SuddenSteps, unpaired
from rowcall.model import Signal
from rowcall.site import Role

MODES: tuple[Mode, ...] = ("on_demand", "on_time")
DP = (Role.DP, 0, 0)
# On demand the bypass opens in the middle of a rest.
REST_S = {"on_demand": 45_607.0, "on_time": AT_S}


def found(mode: Mode, seed: int = 1, **plan: float) -> SuddenSteps:
    made = casing(mode, **plan)
    return steps_of(house(mode), signals_of(made, seed), made[2])


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("fall", [0.08, 0.25])
def test_a_bypass_is_found_at_its_minute(mode: Mode, fall: float) -> None:
    (step,) = found(mode, fall=fall, at_s=REST_S[mode]).steps
    assert abs(step.minute - REST_S[mode] / 60) <= 1
    assert 1 - math.exp(step.log) == pytest.approx(fall, abs=3 * step.error + 0.005)


def test_the_stated_error_covers_the_truth() -> None:
    """Of 40 noises, 95 % intervals; binomial: 34 or more with p > 0.99."""
    steps = [found("on_time", seed, fall=0.12).steps[0] for seed in range(40)]
    truth = math.log(1 - 0.12)
    assert sum(abs(one.log - truth) <= 1.96 * one.error for one in steps) >= 34


@pytest.mark.parametrize("mode", MODES)
def test_load_swings_pulses_and_new_dust_are_no_steps(mode: Mode) -> None:
    for plan in ({"swing": 0.3}, {"feed": 1.5}, {"feed": 0.5}):
        assert found(mode, 1, **plan).steps == ()


@pytest.mark.parametrize("jump", [0.15, -0.15])
def test_a_flow_meter_or_a_flow_that_jumps_is_no_step(jump: float) -> None:
    made = casing("on_time")
    flow = made[1] * np.where(np.arange(made[1].size) * 10.0 >= AT_S, 1 + jump, 1.0)
    assert steps_of(house(), signals_of((made[0], flow, made[2])), made[2]).steps == ()
    assert found("on_time", flow_step=jump).steps == ()


@pytest.mark.parametrize("mode", MODES)
def test_a_transmitter_exchanged_leaves_a_gap_and_no_step(mode: Mode) -> None:
    made = casing(mode, fall=0.2, at_s=REST_S[mode])
    signals = signals_of(made)
    dp = signals[DP]
    kept = np.abs(dp.time_s - REST_S[mode]) > 240
    without = {**signals, DP: Signal(dp.time_s[kept], dp.value[kept])}
    assert steps_of(house(mode), without, made[2]).steps == ()


def test_minutes_are_counted_at_which_a_fall_would_show() -> None:
    assert found("on_time").n_minutes > 1400
    assert 300 < found("on_demand").n_minutes < 1400
    assert (
        steps_of(
            house(), signals_of(casing("on_time"), noise_pa=150.0), casing("on_time")[2]
        ).n_minutes
        < 60
    )


@pytest.mark.filterwarnings("error")
def test_a_bypass_is_found_on_a_day_without_a_pulse() -> None:
    made = casing("on_time", 0.15)
    (step,) = steps_of(house(), signals_of(made), np.empty(0)).steps
    assert 1 - math.exp(step.log) == pytest.approx(0.15, abs=0.03)


def test_more_cloth_on_line_by_its_bit_is_no_step() -> None:
    made = casing("on_time")
    dp = made[0] * np.where(np.arange(made[0].size) * 10.0 >= AT_S, 2 / 3, 1.0)
    two = house(compartments=3)
    bit = Signal(np.array([0.0, AT_S]), np.array([0.0, 1.0]), step=True, longest_hold_s=DAY_S)
    signals = signals_of((dp, made[1], made[2]))
    assert steps_of(two, signals, made[2]).steps
    with_bit = {**signals, (Role.COMPARTMENT_ON_LINE, 3, 0): bit}
    assert steps_of(two, with_bit, made[2]).steps == ()


RISE, FALL = Step(100, 0.2, 0.01), Step(400, -0.18, 0.01)


@pytest.mark.parametrize(
    ("steps", "may_switch", "left"),
    [
        ((RISE, FALL), True, []),
        ((RISE, FALL), False, [RISE, FALL]),
        ((FALL, Step(500, 0.2, 0.01)), True, [FALL, Step(500, 0.2, 0.01)]),
        ((FALL, Step(420, 0.2, 0.01)), False, []),
        ((Step(100, 0.5, 0.01), FALL), True, [Step(100, 0.5, 0.01), FALL]),
    ],
)
def test_what_is_undone_is_no_fall(
    steps: tuple[Step, ...], may_switch: bool, left: list[Step]
) -> None:
    assert unpaired(steps, may_switch=may_switch) == left
