"""Fires that a scan places to a second, placed by the even cadence they keep.

Truth is the simulators' list of calls.
"""

from __future__ import annotations

import numpy as np
import pytest
from helpers.cadence.trains import nearest
from trials.conditions import condition_of
from trials.judging import judge_trial
from trials.rows import Kind, RowPlan
from trials.trial import SIMULATORS, Simulator, make_trial

from rowcall.condition.gate import condition
from rowcall.events.firing.even_spacing import evenly_timed
from rowcall.events.firing.recorded import Fires, find_fires
from rowcall.model import Floats, Verdict


def fires_at(fire_s: Floats, scan_s: float = 1.0, phase_s: float = 0.37) -> Fires:
    """Fires of one compartment as scans tell them."""
    high = np.ceil((fire_s - phase_s) / scan_s) * scan_s + phase_s
    one = np.ones(fire_s.size, np.int64)
    return Fires(high - scan_s, high, one, np.arange(fire_s.size) % 9 + 1)


def even(n: int = 800, interval_s: float = 11.3, seed: int = 1) -> Floats:
    """A timer that ends at the next program scan, up to 25 ms late."""
    gaps = interval_s + 0.025 * np.random.default_rng(seed).random(n)
    return np.asarray(5.0 + np.cumsum(gaps))


def errors(fires: Fires, fire_s: Floats) -> Floats:
    return np.abs((fires.low_s + fires.high_s) / 2 - fire_s)


@pytest.mark.parametrize("kept", ["1 s scanned counter", "1 s latched bits"])
def test_scans_around_tell_each_instant(kept: str) -> None:
    trial = make_trial(condition_of(kept), "plant", 2)
    signals = condition(trial.baghouse, trial.start, trial.end, trial.samples, {}).signals
    blunt = find_fires(trial.baghouse, signals, 6 * 3600.0)
    assert blunt is not None
    sharp = evenly_timed(blunt)
    true = trial.truth.schedule.fire_s
    own = true[nearest(true, sharp.low_s)]
    assert np.quantile(errors(blunt, own), 0.9) > 0.4
    assert np.quantile(errors(sharp, own), 0.9) < 0.1
    assert np.array_equal(sharp.row, blunt.row)


def test_pauses_and_rows_passed_over_break_no_train() -> None:
    fire_s = even()
    fire_s = fire_s[np.arange(fire_s.size) % 9 != 4]
    fire_s[300:] += 1234.5
    sharp = evenly_timed(fires_at(fire_s))
    assert np.quantile(errors(sharp, fire_s), 0.95) < 0.12


def test_scans_in_step_with_the_timer_leave_a_second_open() -> None:
    fire_s = 5.2 + 12.0 * np.arange(600)
    sharp = evenly_timed(fires_at(fire_s))
    assert (sharp.high_s - sharp.low_s).min() > 0.9
    assert (errors(sharp, fire_s) <= (sharp.high_s - sharp.low_s) / 2).all()


def test_an_uneven_train_is_left_as_it_is() -> None:
    gaps = np.random.default_rng(3).uniform(3.0, 40.0, 500)
    fire_s = np.cumsum(gaps)
    blunt = fires_at(fire_s)
    sharp = evenly_timed(blunt)
    held = (sharp.low_s - 0.1 <= fire_s) & (fire_s <= sharp.high_s + 0.1)
    assert held.mean() > 0.97
    assert np.mean(sharp.low_s == blunt.low_s) > 0.9


def test_known_instants_and_few_fires_are_left_as_they_are() -> None:
    fire_s = even()
    one = np.ones(fire_s.size, np.int64)
    exact = Fires(fire_s, fire_s, one, one)
    assert np.array_equal(evenly_timed(exact).low_s, fire_s)
    few = fires_at(fire_s[:10])
    assert np.array_equal(evenly_timed(few).high_s, few.high_s)


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_late_valve_is_timed_by_a_scanned_counter_and_slow_samples(simulator: Simulator) -> None:
    healthy = RowPlan(Kind.HEALTHY)
    late = RowPlan(Kind.DRAWN_OUT, late_s=0.9, late_flow=0.5)
    rows = (healthy, healthy, late, *[healthy] * 5)
    outcome = judge_trial(make_trial(condition_of("5 s scanned counter"), simulator, 6, rows))
    found = {place for place, said in outcome.verdicts.items() if said is Verdict.FOUND}
    assert found == {("row_closes_late", 3)}
    assert outcome.facts[3, "late_s"] == pytest.approx(0.9, abs=0.3)
