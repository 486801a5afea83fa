"""Closings and recovery constants weighed on rows made of the grid's own curves."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.firing.recorded import Fires
from rowcall.events.rows.posterior import RowGrid, posterior, row_grid
from rowcall.events.stacking.decompress import filled_in
from rowcall.events.stacking.stack import stack_rows
from rowcall.events.stacking.types import Stack
from rowcall.model import Signal

HUNG, USUAL_TAU = 8, 20  # of the grid: closing 1 s later than the peers, a recovery as theirs


@pytest.fixture(scope="module")
def stack() -> Stack:
    n = 1500
    fire_s = 5.0 + 12.03 * np.arange(n)
    time_s = np.arange(0.0, fire_s[-1] + 6.0)
    since = time_s - fire_s[np.maximum(np.searchsorted(fire_s, time_s, side="right") - 1, 0)]
    lacks = np.where(since >= 0, 0.3 * np.exp(-since / 2.0), 0.0)
    noise = np.random.default_rng(3).normal(0.0, 0.003, time_s.size)
    header = Signal(time_s, 4e5 * (1.0 - lacks + noise))
    row = np.arange(n) % 5 + 1
    found = stack_rows(filled_in(header), Fires(fire_s, fire_s, np.ones(n, np.int64), row))
    assert found is not None
    return found


def late_chance(stack: Stack, grid: RowGrid, added: float) -> float:
    """Least chance among the rows that their valve hangs, where it adds a share of the drop."""
    mean = grid.hold[:, HUNG, USUAL_TAU] + added * grid.ramp[:, HUNG, USUAL_TAU]
    weight = stack.count / (stack.sigma**2)[:, None]
    return float(posterior(grid, weight, mean).p_late.max())


def test_a_valve_that_blows_on_hangs(stack: Stack) -> None:
    assert late_chance(stack, row_grid(stack), 0.3) > 0.999


def test_a_valve_that_seems_to_give_air_back_does_not_hang(stack: Stack) -> None:
    assert late_chance(stack, row_grid(stack), -0.6) < 0.5
