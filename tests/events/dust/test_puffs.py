"""Puffs of rows: the fit against least squares of the whole matrix, chance, delay, bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import lsq_linear
from scipy.stats import permutation_test
from trials.dust import DustScene, DustTrial, simulate

from rowcall.events.dust.checks import find_checks, outside
from rowcall.events.dust.puff_model import BLOCK_S, Cells, Shaped, fired_of
from rowcall.events.dust.puffs import Puffs, chance, find_puffs
from rowcall.model import Floats, Signal

LEAK, CELL_S = 3, 2.0
SCENE = DustScene(n_rounds=60, leaks=(LEAK,), usual_puff=0.5)


def puffs_of(trial: DustTrial, scene: DustScene, **bound: tuple[float, float]) -> Puffs:
    free = outside(find_checks(Signal(trial.time_s, trial.value)), trial.time_s)
    at, value = trial.time_s[free], trial.value[free]
    found = find_puffs(
        at, value, trial.fired_s, trial.row, scene.n_rows, seconds=trial.seconds, **bound
    )
    assert found is not None
    return found


def seen(scene: DustScene, seed: int = 1, **bound: tuple[float, float]) -> Puffs:
    return puffs_of(simulate(scene, np.random.default_rng(seed)), scene, **bound)


@pytest.fixture(scope="module")
def small() -> tuple[Cells, Floats, Shaped]:
    """Random points on 900 cells, random pulses in overlap, an odd shape."""
    rng = np.random.default_rng(4)
    n = 900
    count = rng.integers(0, 3, n).astype(np.float64)
    block = (np.arange(n) * CELL_S / BLOCK_S).astype(np.intp)
    raw = np.where(count > 0, rng.standard_normal(n), 0.0) * count
    block_count = np.bincount(block, weights=count).astype(np.float64)
    mean = np.bincount(block, weights=raw) / block_count
    cells = Cells(CELL_S, count, raw - mean[block] * count, block, block_count)
    # Pulses keep away from the edges of blocks, where a puff counts in one block only.
    cell = np.sort(
        rng.choice(np.flatnonzero((np.arange(n) % 300 > 8) & (np.arange(n) % 300 < 270)), 150)
    )
    fired = fired_of(cell * CELL_S, rng.integers(0, 5, 150), 5, CELL_S)
    return cells, raw, Shaped(cells, fired, np.array([0.4, 1.0, 0.7, 0.3]), 6)


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_where_no_row_shows_none_stands_out(small: tuple[Cells, Floats, Shaped]) -> None:
    _, _, shaped = small
    design, nothing = shaped.at(3), np.zeros(150)
    design = replace(design, score=nothing, own=nothing, mass=np.zeros_like(design.mass))
    design = replace(design, overlap=np.zeros_like(design.overlap))
    fit = design.fit(shaped.fired.row)
    assert (chance(design, shaped.fired, fit, 20) == 1.0).all()


@pytest.mark.parametrize("delay", [0, 3, 6])
def test_the_fit_is_least_squares_of_the_whole_model(
    small: tuple[Cells, Floats, Shaped], delay: int
) -> None:
    """Base of each block and puffs at once, every point by itself, solved by another library."""
    cells, raw, shaped = small
    fired = shaped.fired
    columns = np.zeros((cells.count.size + 20, 5))
    for cell, row in zip(fired.cell, fired.row, strict=True):
        columns[cell + delay : cell + delay + 4, row] += shaped.shape
    blocks = (cells.block[:, None] == np.arange(cells.block.max() + 1)).astype(np.float64)
    root = np.sqrt(cells.count)
    design = np.column_stack((columns[: cells.count.size], blocks)) * root[:, None]
    value = np.divide(raw, root, out=np.zeros_like(raw), where=root > 0)
    solved = lsq_linear(design, value)
    fit = shaped.at(delay).fit(fired.row)
    assert fit.puff == pytest.approx(solved.x[:5], abs=1e-3)
    base_alone = lsq_linear(design[:, 5:], value)
    assert fit.gain == pytest.approx(2 * (base_alone.cost - solved.cost), rel=1e-3)
    covariance = np.linalg.pinv(design.T @ design)
    assert fit.spread == pytest.approx(np.sqrt(np.diag(covariance))[:5], rel=1e-2)


def test_the_chance_is_that_of_a_permutation_test(small: tuple[Cells, Floats, Shaped]) -> None:
    """One pass of all pulses, so that labels are exchanged freely, as the library does."""
    _, _, shaped = small
    fired = replace(shaped.fired, round=np.zeros(150, np.intp))
    design = shaped.at(3)
    fit = design.fit(fired.row)

    def highest(row: Floats) -> float:
        return float(design.fit(row.astype(np.intp)).standing_out.max())

    result = permutation_test(
        (fired.row,),
        highest,
        permutation_type="pairings",
        n_resamples=400,
        alternative="greater",
        rng=np.random.default_rng(3),
        vectorized=False,
    )
    ours = float(chance(design, fired, fit, 400).min())
    assert ours == pytest.approx(result.pvalue, abs=0.08)


@pytest.mark.parametrize("mixing_s", [(), (4.0,), (3.0, 5.0)])
@pytest.mark.parametrize("step_s", [1.0, 5.0, 10.0])
def test_the_leaking_row_leads(mixing_s: tuple[float, ...], step_s: float) -> None:
    n_rounds = 150 if step_s == 10.0 else 60
    scene = replace(SCENE, mixing_s=mixing_s, step_s=step_s, interval_s=13.0, n_rounds=n_rounds)
    found = seen(scene)
    assert int(np.argmax(found.height)) == LEAK
    assert found.p[LEAK] < 1e-3
    assert np.delete(found.p, LEAK).min() > 0.05
    assert found.height[LEAK] > 3 * np.median(found.height)
    assert found.delay_s == pytest.approx(SCENE.delay_s, abs=2 * CELL_S)


def test_no_row_stands_out_where_none_leaks() -> None:
    p = [seen(replace(SCENE, leaks=()), seed).p.min() for seed in range(6)]
    assert min(p) > 0.01


def test_puffs_that_overlap_are_separated() -> None:
    found = seen(replace(SCENE, interval_s=5.0, mixing_s=(3.0, 5.0), leaks=(2, 3)))
    assert set(np.argsort(found.height)[-2:].tolist()) == {2, 3}


def test_even_intervals_without_rests_leave_the_rows_before_and_after() -> None:
    """By the clock and in fixed order nothing shows which of the pulses a puff belongs to."""
    by_clock = replace(SCENE, rest_every=0, interval_s=10.0, spikes=False)
    found = seen(by_clock)
    candidates = {int(np.argmax(found.height)), *found.rivals}
    assert LEAK in candidates
    assert len(candidates) > 1
    stated = seen(by_clock, delays_s=(8.0, 16.0))
    assert int(np.argmax(stated.height)) == LEAK
    assert stated.rivals == ()


def test_the_stack_is_the_puff_on_nothing() -> None:
    found = seen(SCENE)
    own = found.stacked[LEAK]
    at = int(np.argmax(own))
    assert found.since_s[at] == pytest.approx(SCENE.delay_s + 3.0, abs=4.0)
    assert abs(own[found.since_s < SCENE.delay_s - 4].mean()) < 0.3
    assert own[at] > 2.0


def test_few_pulses_show_nothing() -> None:
    scene = replace(SCENE, n_rounds=10)
    trial = simulate(scene, np.random.default_rng(1))
    assert (
        find_puffs(
            trial.time_s, trial.value, trial.fired_s, trial.row, scene.n_rows, seconds=trial.seconds
        )
        is None
    )
