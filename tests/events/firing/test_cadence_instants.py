"""Instants of a cadence's fires, and the rows of its round where a scan catches some of the bits.

Truth is the trains' and the simulators' own list of fires.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers.cadence.trains import Line, Sampling, nearest, train
from trials.conditions import condition_of
from trials.judging import judge_trial
from trials.rows import Kind, RowPlan
from trials.trial import SIMULATORS, Simulator, make_trial

from rowcall.events.firing.cadence.instants import sharpen
from rowcall.events.firing.cadence.sequence import find_cadence
from rowcall.model import Floats, Verdict

SILENT = Line(silent=(4,))
PLAIN = Sampling()
HARD = Sampling(noise_frac=0.01, wander_frac=0.1, missing_frac=0.1)


def sharpened(line: Line, how: Sampling) -> tuple[Floats, Floats, Floats]:
    """Errors of the instants of one day [s], before and after, and the half-widths stated."""
    day = train(line, how, 1)
    cadence = find_cadence(day.header, line.n_rows)
    low, high = sharpen(cadence.low_s, cadence.high_s, cadence.seen, cadence.segment)
    blunt, sharp = (cadence.low_s + cadence.high_s) / 2, (low + high) / 2
    true = day.fire_s[nearest(day.fire_s, sharp)]
    return blunt - true, sharp - true, (high - low) / 2


@pytest.mark.parametrize("how", [PLAIN, HARD, replace(PLAIN, step_s=2.0)], ids=["1s", "hard", "2s"])
@pytest.mark.parametrize(
    "line",
    [SILENT, replace(SILENT, jumps=6), replace(SILENT, drift_frac=0.3)],
    ids=["even", "restarts", "drift"],
)
def test_beats_around_tell_an_instant_far_below_the_sampling_period(
    line: Line, how: Sampling
) -> None:
    before, after, half = sharpened(replace(line, interval_s=10.3), how)
    assert np.quantile(np.abs(after), 0.9) < 0.15 * max(how.step_s, 1.0)
    assert np.quantile(np.abs(after), 0.9) < np.quantile(np.abs(before), 0.9) / 2.5
    assert np.mean(np.abs(after) <= half + 0.15 * max(how.step_s, 1.0)) > 0.9


def test_samples_in_step_with_the_beat_leave_an_instant_as_uncertain_as_one_drop() -> None:
    _, error, half = sharpened(replace(SILENT, jitter_s=0.0), PLAIN)
    assert np.median(half) == pytest.approx(0.5)
    assert (np.abs(error) <= half).all()


def test_bouts_too_short_to_tell_stay_uncertain() -> None:
    _, error, half = sharpened(replace(SILENT, after_rest="first"), PLAIN)
    assert np.mean(np.abs(error) <= half + 0.1) > 0.95


def test_a_late_drop_moves_neither_its_own_instant_nor_the_others() -> None:
    """Every sixth drop shows a sample late, as that of a hanging valve does."""
    fire_s = 7.0 + 12.34 * np.arange(600)
    low = np.floor(fire_s)
    late = np.arange(600) % 6 == 2
    known = sharpen(low, low + 1.0, np.ones(600, np.bool_), np.ones(600, np.int64))
    moved = sharpen(low + late, low + 1.0 + late, np.ones(600, np.bool_), np.ones(600, np.int64))
    here = (moved[0] + moved[1]) / 2
    assert np.abs(here - (known[0] + known[1]) / 2).max() < 0.2
    valve_s = 0.15  # a fall may show that much later: the instants lie early by half of it
    assert np.abs(here - fire_s + valve_s / 2).max() < 0.2


SCANNED = replace(condition_of("1 s scanned bits"), interval_s=(9.0, 14.0), hours=8.0)
LATE = RowPlan(Kind.DRAWN_OUT, late_s=0.9, late_flow=0.5)
HEALTHY = RowPlan(Kind.HEALTHY)


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_caught_bits_tell_a_round_that_leaves_a_row_out(simulator: Simulator) -> None:
    """Nothing of header pressure tells the round where no row is silent."""
    faint = RowPlan(Kind.FAINT, drop_share=0.45)
    rows = (HEALTHY, faint, HEALTHY, RowPlan(Kind.NOT_CALLED), HEALTHY, LATE, HEALTHY, HEALTHY)
    trial = make_trial(SCANNED, simulator, 4, rows)
    outcome = judge_trial(trial)
    found = {place for place, verdict in outcome.verdicts.items() if verdict is Verdict.FOUND}
    assert found == {("row_weak", 2), ("row_closes_late", 6)}
    for label in trial.labels:
        if label.n_called:
            called = outcome.facts[label.row, "n_sent"]
            assert called == pytest.approx(label.n_called, abs=3)
            ratio, error = (outcome.facts[label.row, f"drop_ratio{x}"] for x in ("", "_error"))
            assert abs(ratio - label.drop_ratio) < 4 * error
        else:
            assert outcome.facts[label.row, "n_sent"] == 0.0


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_a_late_valve_is_timed_by_the_beat_of_the_others(simulator: Simulator) -> None:
    trial = make_trial(SCANNED, simulator, 7, (HEALTHY, HEALTHY, LATE, *[HEALTHY] * 6))
    outcome = judge_trial(trial)
    for label in trial.labels:
        said = outcome.verdicts["row_closes_late", label.row]
        assert said is (Verdict.FOUND if label.row == 3 else Verdict.CLEAR)
        late = label.minimum_after_s - trial.labels[0].minimum_after_s
        assert outcome.facts[label.row, "late_s"] == pytest.approx(late, abs=0.25)
