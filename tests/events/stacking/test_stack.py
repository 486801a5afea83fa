"""Rows of one header told apart where one of them upsets all others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from trials.conditions import condition_of
from trials.judging import Outcome, judge_trial
from trials.rows import Kind, RowPlan
from trials.score import RULE_OF
from trials.trial import Simulator, make_trial

from rowcall.events.firing.recorded import Fires
from rowcall.events.stacking.decompress import filled_in
from rowcall.events.stacking.stack import stack_rows
from rowcall.events.stacking.types import Stack
from rowcall.model import Signal, Verdict

HEALTHY = RowPlan(Kind.HEALTHY)
HANGING = RowPlan(Kind.DRAWN_OUT, late_s=1.8, late_flow=0.9)
SILENT = RowPlan(Kind.SILENT, drop_share=0.0)
FAINT = RowPlan(Kind.FAINT, drop_share=0.45)


def outcome_of(simulator: Simulator, rows: tuple[RowPlan, ...]) -> Outcome:
    condition = replace(condition_of("5 s"), hours=6.0)
    return judge_trial(make_trial(condition, simulator, 11, rows))


def found(outcome: Outcome) -> set[tuple[str, int]]:
    return {place for place, verdict in outcome.verdicts.items() if verdict is Verdict.FOUND}


def planted(rows: tuple[RowPlan, ...]) -> set[tuple[str, int]]:
    return {(RULE_OF[row.kind], n) for n, row in enumerate(rows, 1) if row.kind in RULE_OF}


# Late in the refill the hanging row is deeper than the others by far more than ten times, and it
# leaves its follower a header that is not filled.
@pytest.mark.parametrize("simulator", ["plant", "vessel"])
@pytest.mark.parametrize("follower", [HEALTHY, SILENT, FAINT])
def test_a_row_that_empties_the_header_does_not_hide_the_others(
    simulator: Simulator, follower: RowPlan
) -> None:
    # Rows are fired in turn or every third one: the fifth or the seventh follows the fourth.
    rows = (*(HEALTHY,) * 3, HANGING, follower, HEALTHY, follower, *(HEALTHY,) * 5)
    assert found(outcome_of(simulator, rows)) == planted(rows)


# Samples that creep through the interval, so that for half an hour only the hanging row is seen
# near its rest; a clock offset that is told wrong by a tenth of a second; a row of which just two
# points, both while the pressure falls, show more than the end of its refill; and compressed
# pressure, whose gap before each fall begins at another fire than the one that it belongs to.
@pytest.mark.parametrize(
    ("step", "simulator", "seed"),
    [
        ("10 s", "vessel", 4061),
        ("5 s", "vessel", 3074),
        ("10 s", "plant", 9020),
        ("1 s dead-band", "vessel", 9215),
    ],
)
def test_no_row_is_called_what_it_is_not(step: str, simulator: Simulator, seed: int) -> None:
    trial = make_trial(condition_of(step), simulator, seed)
    assert found(judge_trial(trial)) == planted(trial.header.rows)


def stacked(shift_s: float) -> Stack | None:
    """Six rows fired every 12 s, a point every second, and calls stamped by a clock that is off."""
    fire_s = 5.0 + 12.03 * np.arange(2000)
    row = np.arange(2000) % 6 + 1
    time_s = np.arange(0.0, fire_s[-1] + 6.0)
    since = time_s - fire_s[np.maximum(np.searchsorted(fire_s, time_s, side="right") - 1, 0)]
    lacks = np.where(since >= 0, 0.3 * np.exp(-since / 2.0), 0.0)
    noise = np.random.default_rng(3).normal(0.0, 0.005, time_s.size)
    header = Signal(time_s, 4e5 * (1.0 - lacks + noise))
    called_s = fire_s + shift_s
    return stack_rows(filled_in(header), Fires(called_s, called_s, np.ones(2000, np.int64), row))


@pytest.mark.parametrize("shift_s", [0.0, 0.3])
def test_a_clock_off_by_less_than_half_a_second_costs_no_stack(shift_s: float) -> None:
    stack = stacked(shift_s)
    assert stack is not None
    assert stack.curve.drop == pytest.approx(0.3, rel=0.2)
    assert stack.share == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("shift_s", [3.0, 6.0])
def test_where_the_pressure_falls_at_other_times_nothing_is_stacked(shift_s: float) -> None:
    assert stacked(shift_s) is None


def test_rows_that_meet_a_bin_at_other_phases_are_corrected_to_its_mean_time() -> None:
    """Eight rows 12.125 s apart, sampled each second: a row is always met at the same phase."""
    n, tau_s, close_s = 2000, 2.5, 0.15
    fire_s = 5.0 + 12.125 * np.arange(n)
    time_s = np.arange(0.0, fire_s[-1] + 6.0)
    since = time_s - fire_s[np.maximum(np.searchsorted(fire_s, time_s, side="right") - 1, 0)]
    shape = np.minimum(
        np.clip(since, 0.0, close_s) / close_s, np.exp(-np.maximum(since - close_s, 0.0) / tau_s)
    )
    header = Signal(time_s, 4e5 * (1.0 - 0.3 * shape))
    row = np.arange(n) % 8 + 1
    stack = stack_rows(filled_in(header), Fires(fire_s, fire_s, np.ones(n, np.int64), row))
    assert stack is not None
    wide = (stack.since_s > 3.0) & (stack.since_s < 7.0)  # bins of a quarter of a second and more
    true = 0.3 * np.exp(-(stack.since_s - close_s) / tau_s)
    met = (stack.count > 0) & wide[None, :]
    off = (stack.mean - true[None, :])[met] / 0.3
    assert met.sum() > 30
    assert off == pytest.approx(0.0, abs=0.004)
