"""Clocks that drift against each other, or of which one is set: followed, and only then.

Truth is the simulators' own: the instants of the calls beside the bits that carry their stamps.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import polars as pl
import pytest
from helpers import report_days
from helpers.cadence.trains import nearest
from trials.calling import bit_tag
from trials.conditions import condition_of
from trials.judging import judge_trial
from trials.score import RULE_OF
from trials.trial import Simulator, Trial, make_trial

from rowcall.condition.gate import condition
from rowcall.events.clocks.drift import ClockOffset, block_edges, follow
from rowcall.events.clocks.even_drift import even_drift
from rowcall.events.clocks.offset import clock_offset
from rowcall.events.firing.recorded import find_fires
from rowcall.model import Floats, Verdict
from rowcall.site import Role
from rowcall_reports.chapters.data_quality import write_health


def told(trial: Trial) -> tuple[ClockOffset | None, Floats, Floats]:
    """Offset found, stamps of the bits, and what must be added to them [s]."""
    signals = condition(trial.baghouse, trial.start, trial.end, trial.samples, {}).signals
    seconds = (trial.end - trial.start).total_seconds()
    fires = find_fires(trial.baghouse, signals, seconds)
    assert fires is not None
    offset = clock_offset(signals[Role.HEADER_PRESSURE, 1, 0], fires)
    stamp, true = [], []
    for label in trial.labels:
        bit = trial.samples[bit_tag(label.row)]
        rise = bit.time_us[bit.value > 0.5] / 1e6 - trial.start.timestamp()
        calls = trial.truth.schedule.fire_s[trial.truth.schedule.row == label.row]
        if rise.size:
            stamp.append(rise)
            true.append(calls[nearest(calls, rise)])
    return offset, np.concatenate(stamp), np.concatenate(true)


RARE_S = (20.0, 30.0)  # between calls: little evidence, and few calls to solve for the vessel
# Seeds whose clocks part by more than a second and whose rows carry all four faults of `RULE_OF`.
SEEDS = {"1 s clock drifts": 5, "5 s clock drifts": 4, "1 s clock set": 3, "5 s clock set": 4}


@cache
def parted(kept: str, simulator: Simulator) -> Trial:
    """Return a day whose clocks part."""
    rare = replace(condition_of(kept), n_rows=(13, 14), interval_s=RARE_S)
    return make_trial(rare, simulator, SEEDS[kept])


@cache
def told_of(kept: str, simulator: Simulator) -> tuple[ClockOffset | None, Floats, Floats]:
    """What `told` says of a day whose clocks part."""
    return told(parted(kept, simulator))


@pytest.mark.parametrize(
    ("kept", "simulator"), [("1 s clock drifts", "plant"), ("5 s clock drifts", "vessel")]
)
def test_a_drift_is_followed_through_the_day(kept: str, simulator: Simulator) -> None:
    offset, stamp, true = told_of(kept, simulator)
    assert offset is not None
    assert offset.drift is not None
    assert np.ptp(true - stamp) > 1.0
    assert np.abs(offset.at(stamp) - (true - stamp)).max() < 0.15


@pytest.mark.parametrize(
    ("kept", "simulator"), [("1 s clock set", "vessel"), ("5 s clock set", "plant")]
)
def test_a_clock_that_is_set_is_followed_to_a_few_minutes(kept: str, simulator: Simulator) -> None:
    offset, stamp, true = told_of(kept, simulator)
    assert offset is not None
    assert offset.drift is not None
    assert np.ptp(true - stamp) > 1.0
    off = np.abs(offset.at(stamp) - (true - stamp))
    assert np.mean(off < 0.15) > 0.985  # a quarter of an hour around the step is 1 % of the day


@pytest.mark.parametrize(
    ("kept", "simulator"),
    [
        ("1 s", "vessel"),
        ("1 s locked", "plant"),
        ("1 s noisy", "vessel"),
        ("1 s missing", "plant"),
        ("1 s dead-band", "vessel"),
        ("5 s", "plant"),
        ("5 s creeping", "vessel"),
        ("5 s noisy", "plant"),
        ("5 s on demand", "vessel"),
        ("10 s", "vessel"),
        ("60 s", "plant"),
    ],
)
def test_clocks_that_agree_are_left_alone(kept: str, simulator: Simulator) -> None:
    still = replace(condition_of(kept), hours=8.0)
    if simulator == "vessel":
        still = replace(still, interval_s=RARE_S)
    offset, _, _ = told(make_trial(still, simulator, 5))
    assert offset is not None
    assert offset.drift is None
    assert offset.offset_s == 0.0


@pytest.mark.parametrize(
    ("kept", "simulator"),
    [
        ("1 s clock drifts", "plant"),
        ("5 s clock drifts", "vessel"),
        ("1 s clock set", "vessel"),
        ("5 s clock set", "plant"),
    ],
)
def test_rows_are_told_as_if_the_clocks_agreed(kept: str, simulator: Simulator) -> None:
    trial = parted(kept, simulator)
    outcome = judge_trial(trial)
    found = {place for place, verdict in outcome.verdicts.items() if verdict is Verdict.FOUND}
    theirs = {(RULE_OF[one.kind], one.row) for one in trial.labels if one.kind in RULE_OF}
    assert len(theirs) == 4
    assert found == theirs
    start, end = (outcome.facts[0, f"clock_offset_{name}_s"] for name in ("start", "end"))
    least, most = (outcome.facts[0, f"clock_offset_{name}_s"] for name in ("min", "max"))
    assert least <= min(start, end, outcome.facts[0, "clock_offset_s"])
    assert most >= max(start, end, outcome.facts[0, "clock_offset_s"])
    _, stamp, true = told_of(kept, simulator)
    first, last = np.argmin(stamp), np.argmax(stamp)
    assert start == pytest.approx((true - stamp)[first], abs=0.2)
    assert end == pytest.approx((true - stamp)[last], abs=0.2)


# Synthetic evidence: each block holds offsets within 0.12 s of a known path.

GRID = np.arange(-60, 61) * 0.05


def evidence_of(path: Floats, weight: float = 30.0) -> tuple[Floats, Floats]:
    edges = block_edges(86_400.0)
    at = np.interp((edges[:-1] + edges[1:]) / 2, np.linspace(0.0, 86_400.0, path.size), path)
    return weight * (np.abs(GRID[None, :] - at[:, None]) <= 0.12), at


@pytest.mark.parametrize(
    "path",
    [
        np.array([0.0, 3.0]) - 1.5,
        0.8 * np.sin(np.linspace(0.0, 2.0 * np.pi, 200)),
        np.where(np.linspace(0.0, 1.0, 200) > 0.6, 1.0, -1.0),
    ],
    ids=["line", "swing", "step"],
)
def test_any_slow_walk_and_a_step_are_followed(path: Floats) -> None:
    evidence, at = evidence_of(path)
    drift = follow(evidence, GRID, block_edges(86_400.0), 0.15)
    assert drift is not None
    off = np.abs(drift.offset_s - at)
    assert np.mean(off < 0.2) > 0.95
    assert drift.at_s.shape == drift.error_s.shape == drift.offset_s.shape


def test_no_evidence_and_constant_evidence_move_nothing() -> None:
    edges = block_edges(86_400.0)
    assert follow(np.zeros((edges.size - 1, GRID.size)), GRID, edges, 0.15) is None
    assert follow(evidence_of(np.full(2, 0.7))[0], GRID, edges, 0.15) is None


def test_noise_moves_nothing() -> None:
    rng = np.random.default_rng(2)
    edges = block_edges(86_400.0)
    noise = evidence_of(np.zeros(2), 4.0)[0] + rng.normal(0.0, 1.0, (edges.size - 1, GRID.size))
    assert follow(noise, GRID, edges, 0.15) is None


def test_a_line_with_a_step_is_found_with_its_ends() -> None:
    path = np.linspace(-0.5, 0.9, 400) - np.where(np.linspace(0, 1, 400) > 0.5, 1.2, 0.0)
    evidence, _ = evidence_of(path)
    found = even_drift(evidence, GRID, block_edges(86_400.0))
    drift = found.drift
    assert 100.0 < found.gain <= found.max_gain
    assert drift.offset_s[0] == pytest.approx(-0.5, abs=0.3)
    assert drift.offset_s[-1] == pytest.approx(-0.3, abs=0.3)
    assert drift.at_s[2] == pytest.approx(43_200.0, abs=3_600.0)
    still = even_drift(evidence_of(np.zeros(2))[0], GRID, block_edges(86_400.0))
    assert still.gain == pytest.approx(0.0)


# What the report says.


def said(**offsets: float) -> str:
    day = report_days.report().baghouses[0]
    lines = [(1, 0, f"clock_offset_{name}", value) for name, value in offsets.items()]
    kept = day.facts.filter(~pl.col("name").str.starts_with("clock_offset"))
    facts = pl.concat([kept, pl.DataFrame(lines, schema=kept.schema, orient="row")])
    return write_health(replace(day, facts=facts))


def test_the_report_says_from_where_to_where_the_clocks_went() -> None:
    assert "compartment 1 +1.4 s." in said(s=1.4)
    drift = said(s=1.5, start_s=0.0, end_s=3.0, min_s=0.0, max_s=3.0)
    assert "compartment 1 +0.0 s at the beginning of the day and +3.0 s at its end." in drift
    swing = said(s=0.0, start_s=0.0, end_s=0.1, min_s=-1.2, max_s=1.2)
    assert "at its end (between -1.2 and +1.2 s)." in swing
    assert "clocks" not in said(s=0.1, start_s=0.0, end_s=0.3, min_s=0.0, max_s=0.3)
