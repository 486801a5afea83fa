"""How much later a valve closes: stated with errors that hold, and never on a point of a grid."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from trials.conditions import condition_of
from trials.judging import judge_trial
from trials.rows import Kind, RowPlan
from trials.score import NORMAL_95, Tally
from trials.trial import SIMULATORS, Simulator, make_trial

HEALTHY = RowPlan(Kind.HEALTHY)
DELAYS = ((0.37, 0.4), (0.71, 0.8), (1.13, 0.5), (1.72, 0.9))  # s, share of the flow


@cache
def timed(simulator: Simulator) -> tuple[tuple[float, float], ...]:
    """(error, stated standard error) of the rows found late."""
    late = [RowPlan(Kind.DRAWN_OUT, late_s=s, late_flow=flow) for s, flow in DELAYS]
    rows = (late[0], HEALTHY, HEALTHY, late[1], HEALTHY, late[2], HEALTHY, HEALTHY, late[3])
    tally = Tally()
    for seed in (61, 62):
        trial = make_trial(condition_of("1 s"), simulator, seed, (*rows, *[HEALTHY] * 3))
        tally.add(trial, judge_trial(trial))
    return tuple(tally.errors["late_s"])


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_the_interval_of_a_late_closing_holds_the_delay_that_was_planted(
    simulator: Simulator,
) -> None:
    error, stated = np.array(timed(simulator)).T
    assert error.size == 2 * len(DELAYS)
    assert np.mean(np.abs(error) <= NORMAL_95 * stated) >= 0.85


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_delay_is_read_between_the_points_of_a_grid(simulator: Simulator) -> None:
    error, stated = np.array(timed(simulator)).T
    assert stated.min() > 0.02
    planted = np.tile([late_s for late_s, _ in DELAYS], 2)
    assert np.median(np.abs(error) / planted) < 0.12
