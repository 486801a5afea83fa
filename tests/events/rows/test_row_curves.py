"""What stacks say of rows, against headers whose refill has a closed form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from trials.conditions import Condition, condition_of
from trials.judging import judge_trial
from trials.rows import Kind, RowPlan
from trials.trial import make_trial

from rowcall.events.firing.recorded import Fires
from rowcall.events.rows.curves import row_curves
from rowcall.events.stacking.decompress import filled_in
from rowcall.events.stacking.stack import stack_rows
from rowcall.model import Floats, Signal, Verdict

SHARES = np.array([1.0, 0.45, 1.04, 0.0, 0.97, 1.0, 1.02, 0.98])
CLOSE_S, DROP = 0.15, 0.3
Law = Callable[[Floats, Floats], Floats]


def exponential(deficit: Floats, after_s: Floats) -> Floats:
    lacks: Floats = deficit * np.exp(-after_s / 2.5)
    return lacks


def orifice(deficit: Floats, after_s: Floats) -> Floats:
    """A full drop is made good in 9 s; 63 % of any deficit in (1 - e^-1/2) of its own time."""
    lacks: Floats = np.maximum(np.sqrt(deficit) - np.sqrt(DROP) * after_s / 9.0, 0.0) ** 2
    return lacks


def curves(law: Law, *, set_pa: float = 5e5, step_s: float = 1.0) -> pl.DataFrame:
    """Eight rows fired every 15 s for 12 h, each making good its drop before the next."""
    n = 2880
    fire_s = 5.0 + 15.013 * np.arange(n)
    row = np.arange(n) % SHARES.size
    time_s = np.arange(0.0, fire_s[-1] + 6.0, step_s)
    fire = np.maximum(np.searchsorted(fire_s, time_s, side="right") - 1, 0)
    since = time_s - fire_s[fire]
    drop = DROP * SHARES[row[fire]]
    falling = drop * np.clip(since, 0.0, CLOSE_S) / CLOSE_S
    lacks = np.where(since < CLOSE_S, falling, law(drop, np.maximum(since - CLOSE_S, 0.0)))
    noise = np.random.default_rng(5).normal(0.0, 0.003, time_s.size)
    header = Signal(time_s, set_pa * (1.0 - lacks + noise))
    stack = stack_rows(filled_in(header), Fires(fire_s, fire_s, np.ones(n, np.int64), row + 1))
    assert stack is not None
    return row_curves(stack)


@pytest.mark.parametrize("step_s", [1.0, 5.0])
@pytest.mark.parametrize("law", [exponential, orifice])
def test_drops_are_shares_of_the_median_sound_row(law: Law, step_s: float) -> None:
    told = curves(law, step_s=step_s)
    off = told["drop_ratio"].to_numpy() - SHARES
    assert off == pytest.approx(0.0, abs=0.02)
    assert np.all(np.abs(off) <= 3.0 * told["drop_ratio_error"].to_numpy())


@pytest.mark.parametrize("step_s", [1.0, 5.0])
def test_a_recovery_constant_is_the_time_to_make_good_63_percent(step_s: float) -> None:
    answers = SHARES > 0
    told = curves(exponential, step_s=step_s)["stack_tau_s"].to_numpy()
    assert told[answers] == pytest.approx(2.5, rel=0.03)
    told = curves(orifice, step_s=step_s)["stack_tau_s"].to_numpy()
    # Through an orifice a smaller drop is made good sooner, by the root of its share.
    true = 9.0 * (1.0 - np.exp(-0.5)) * np.sqrt(SHARES)
    full = SHARES > 0.9
    assert told[full] == pytest.approx(true[full], rel=0.04)
    assert told[1] == pytest.approx(true[1], rel=0.15)


@pytest.mark.parametrize("set_pa", [1.5e5, 5e5])
def test_the_usual_drop_has_its_size_at_any_pressure(set_pa: float) -> None:
    told = curves(exponential, set_pa=set_pa)["usual_drop_pa"]
    assert told.to_numpy() == pytest.approx(DROP * set_pa, rel=0.04)


def test_a_refill_below_the_noise_is_measured_all_the_same() -> None:
    """Twenty pulses a row, a point every 30 s: where rows are seen at all the means are noise."""
    sparse = Condition(name="identifiability", step_s=30.0, hours=24.0, interval_s=(410.4, 432.0))
    rows = (*(RowPlan(Kind.HEALTHY),) * 7, RowPlan(Kind.SILENT, drop_share=0.0))
    trial = make_trial(sparse, "plant", 4, rows)
    assert judge_trial(trial).verdicts["row_silent", 1] is not Verdict.FOUND


@pytest.mark.parametrize("name", ["1 s locked", "5 s locked"])
def test_a_recovery_of_few_phases_is_stated_with_an_error_that_holds_or_not_at_all(
    name: str,
) -> None:
    """Samples in step miss how a refill bends, and an exponential through them is far off."""
    trial = make_trial(replace(condition_of(name), hours=5.0), "vessel", 501)
    facts = judge_trial(trial).facts
    for label in trial.labels:
        if label.kind is Kind.HEALTHY and (label.row, "tau_log_error") in facts:
            error = np.log(facts[label.row, "tau_s"] / label.tau_s)
            assert abs(error) < 1.96 * facts[label.row, "tau_log_error"]
