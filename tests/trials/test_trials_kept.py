"""What is kept of a trial: pressure and calls as each condition says, from sampling to bits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from trials.calling import COUNTER, PULSE_S, bit_tag
from trials.conditions import BAND_BAR, LEVELS, SPAN_BAR, Condition
from trials.keeping import dead_band, swinging_door
from trials.schedule import Floats
from trials.trial import PRESSURE, Trial, make_trial

SHORT = Condition(name="short", step_s=1.0, hours=2.0, n_rows=(13, 14), interval_s=(9.0, 12.0))


def kept(**how: object) -> Trial:
    return make_trial(replace(SHORT, hours=0.5, **how), "plant", 5)  # type: ignore[arg-type]


def seconds_of(trial: Trial, tag: str = PRESSURE) -> Floats:
    at_s: Floats = trial.samples[tag].time_us / 1e6 - trial.start.timestamp()
    return at_s


@pytest.mark.parametrize("step_s", [0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 60.0])
def test_points_at_intervals_come_at_their_period_and_in_steps_of_12_bit(step_s: float) -> None:
    trial = kept(step_s=step_s)
    assert np.diff(seconds_of(trial)) == pytest.approx(step_s, abs=0.0011 + 1e-4 * step_s)
    steps = trial.samples[PRESSURE].value / (SPAN_BAR / LEVELS)
    assert steps == pytest.approx(np.round(steps), abs=1e-6)


def test_noise_has_the_stated_size() -> None:
    quiet, loud = kept(noise=0.0), kept(noise=0.01)
    noise = loud.samples[PRESSURE].value - quiet.samples[PRESSURE].value
    assert noise.std() == pytest.approx(0.01 * SPAN_BAR, rel=0.05)


def test_locked_samples_keep_one_phase_of_the_calls_and_drifting_ones_do_not() -> None:
    locked = replace(SHORT, phase="locked", step_s=5.0, interval_s=(5.0, 10.0))
    for condition, spread in ((locked, 0.0), (replace(locked, phase="drifting"), 0.5)):
        trial = make_trial(condition, "plant", 5)
        phases = np.mod(trial.truth.schedule.fire_s - seconds_of(trial)[0], 5.0)
        apart = np.ptp(np.mod(phases - phases[0] + 2.5, 5.0))
        assert apart >= spread
        assert (apart < 2e-3) == (condition is locked)


def test_a_tenth_is_missing_singly_and_in_gaps() -> None:
    shares = []
    for seed in range(6):
        at_s = seconds_of(make_trial(replace(SHORT, missing=0.1), "plant", seed))
        shares.append(1.0 - at_s.size / 7200.0)
        assert np.diff(at_s).max() > 50.0
    assert np.mean(shares) == pytest.approx(0.1, abs=0.03)


def walk(n: int) -> tuple[Floats, Floats]:
    steps = np.random.default_rng(3).normal(0.0, 0.02, n)
    return np.arange(float(n)), 6.0 + np.cumsum(steps)


def test_the_dead_band_leaves_out_only_what_is_near_the_last_point_kept() -> None:
    at_s, value = walk(3000)
    points = dead_band(at_s, value, BAND_BAR)
    held = value[points][np.searchsorted(points, np.arange(3000), side="right") - 1]
    assert np.abs(value - held).max() <= BAND_BAR
    assert points.size < 1500


def test_lines_between_the_points_of_the_swinging_door_miss_nothing_by_more_than_the_band() -> None:
    at_s, value = walk(3000)
    points = swinging_door(at_s, value, BAND_BAR)
    lines = np.interp(at_s, at_s[points], value[points])
    assert np.abs(value - lines).max() <= BAND_BAR * (1.0 + 1e-9)
    assert points.size < dead_band(at_s, value, BAND_BAR).size
    straight = swinging_door(at_s, 1.0 + 1e-4 * at_s, BAND_BAR)
    assert straight.size <= 3000 / 600 + 2  # only the points forced every ten minutes


def test_bits_by_change_carry_offset_and_drift_of_their_clock() -> None:
    trial = kept(offset_s=3.0, drift_s_day=0.5)
    calls = trial.truth.schedule
    row = int(calls.row[0])
    bit = trial.samples[bit_tag(row)]
    rise_s = seconds_of(trial, bit_tag(row))[bit.value > 0.5]
    fire_s = calls.fire_s[calls.row == row]
    apart = rise_s - fire_s[-rise_s.size :]
    assert 0.01 < np.abs(apart).max() <= 3.0 + 0.5 * 0.5 / 24.0
    assert np.ptp(apart) < 0.5 * 0.5 / 24.0 + 0.002


def test_scanned_bits_are_caught_one_time_in_ten_and_latched_ones_always() -> None:
    for rows_by, low, high in (("scanned bits", 0.02, 0.25), ("latched bits", 1.0, 1.0)):
        trial = kept(rows_by=rows_by)
        caught = sum(
            int(np.sum(np.diff(trial.samples[bit_tag(label.row)].value) > 0.5))
            for label in trial.labels
        )
        share = caught / trial.truth.schedule.fire_s.size
        assert low - 0.02 <= share <= high, rows_by  # the last calls may lie after the last scan
    assert PULSE_S == 0.1


def test_a_scanned_counter_follows_the_calls() -> None:
    trial = kept(rows_by="scanned counter")
    calls, counter = trial.truth.schedule, trial.samples[COUNTER]
    at_s = seconds_of(trial, COUNTER)
    last = np.searchsorted(calls.fire_s, at_s, side="right") - 1
    assert np.array_equal(counter.value[last >= 0], calls.row[last[last >= 0]])
    assert set(np.unique(counter.value)) >= set(np.unique(calls.row).tolist())
