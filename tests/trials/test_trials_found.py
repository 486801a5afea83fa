"""Detectors on header-days of the second simulator: what is planted is found, and nothing else.

The simulator of exports and this one share no physics, so what is fitted to the one fails here.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from rowcall.model import Verdict
from trials.conditions import condition_of
from trials.judging import Outcome, judge_trial
from trials.recovery import header_recovery
from trials.score import NORMAL_95, RULE_OF, Tally
from trials.trial import Trial, make_trial

SEEDS = (1, 2, 3, 4, 5)
HOURS = 4.0  # a row is pulsed some fifty times or more


@cache
def judged(seed: int) -> tuple[Trial, Outcome]:
    trial = make_trial(replace(condition_of("1 s"), hours=HOURS), "vessel", seed)
    return trial, judge_trial(trial)


@pytest.mark.parametrize("seed", SEEDS)
def test_every_planted_fault_is_found_at_its_row_and_nothing_else(seed: int) -> None:
    trial, outcome = judged(seed)
    planted = {(RULE_OF[one.kind], one.row) for one in trial.labels if one.kind in RULE_OF}
    found = {place for place, verdict in outcome.verdicts.items() if verdict is Verdict.FOUND}
    assert planted
    assert found == planted


@pytest.mark.parametrize("fact", ["drop_ratio", "tau_s"])
def test_intervals_of_measured_facts_hold_the_truth(fact: str) -> None:
    tally = Tally()
    for seed in SEEDS:
        tally.add(*judged(seed))
    error, stated = np.array(tally.errors[fact]).T
    known = np.isfinite(stated)
    assert known.sum() >= 30
    assert np.mean(np.abs(error[known]) <= NORMAL_95 * stated[known]) >= 0.9
    assert np.median(np.abs(error)) < 0.03


def test_the_interval_of_a_header_s_recovery_holds_it_where_rows_differ() -> None:
    """Two of eight rows are faulty, and refills take two thirds of the interval."""
    trial = make_trial(replace(condition_of("5 s short interval"), hours=8.0), "vessel", 9101)
    facts = judge_trial(trial).facts
    error = math.log(facts[0, "recovery_s"] / header_recovery(trial))
    assert abs(error) <= NORMAL_95 * facts[0, "recovery_log_error"]
