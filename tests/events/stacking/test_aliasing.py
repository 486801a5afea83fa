"""Samples in step with the pulses: seen before any row is judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers.scene_answers import ask
from helpers.scenes import exports, kiln, local, on_time, study

from rowcall.events.firing.recorded import Fires
from rowcall.events.stacking.aliasing import is_in_step
from rowcall.model import Signal, Verdict
from rowcall_plant import HeaderPlan, RowDrawnOut, RowSilent


@pytest.mark.parametrize(("interval_s", "step_s"), [(7.5, 5), (23.0, 60)])
def test_rows_compared_with_few_others_are_left_open(interval_s: float, step_s: int) -> None:
    """Each phase is met after two or three rows, so a faulty one passes for what is usual."""
    even = replace(on_time(6, interval_s), scan_s=1e-6)
    faults = [
        RowSilent(start=local(0), compartment=1, row=4),
        RowDrawnOut(start=local(0), compartment=1, row=3, late_s=1.5, late_flow_frac=0.5),
    ]
    plan = kiln(rows=(6,), cleaning=even, header=HeaderPlan(tau_s=2.5))
    day = study(exports(plan, faults, step_s=step_s, seed=3)[0]).day
    for rule in ("row_silent", "row_weak"):
        assert {answer.verdict for answer in ask(rule, day).values()} == {Verdict.CANNOT_TELL}
    assert all("in step" in answer.text for answer in ask("row_silent", day).values())


@pytest.mark.parametrize(
    ("interval_s", "step_s", "n_rows", "in_step"),
    [
        (23.0, 60.0, 8, True),
        (7.5, 5.0, 6, True),
        (20.0, 10.0, 8, False),  # two phases, the same ones after every row
        (12.5, 5.0, 14, False),  # seven rows a phase are peers enough
        (7.5, 5.0, 3, False),  # and three rows have no more than two others
        (23.013, 60.0, 8, False),
        (7.513, 5.0, 6, False),
    ],
)
def test_the_phases_of_rows_decide(
    interval_s: float, step_s: float, n_rows: int, in_step: bool
) -> None:
    at_s = 3.3 + interval_s * np.arange(int(86_000 / interval_s), dtype=np.float64)
    row = 1 + np.arange(at_s.size, dtype=np.int64) % n_rows
    fires = Fires(at_s, at_s, np.ones_like(row), row)
    time_s = np.arange(0.0, 86_400.0, step_s)
    assert is_in_step(Signal(time_s, np.ones(time_s.size)), fires) is in_step
