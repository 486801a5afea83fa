"""Dust between pulses: a step and a rise are found, load and thin data are not taken for one."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.dust_days import dust_day
from helpers.scene_answers import ask

from rowcall.model import Answer, Fact, Floats, Lack, Urgency, Verdict

N = 30
ALL = (0, 0)


def usual(n: int = N, level: float = 2e-6, seed: int = 1) -> Floats:
    return level * (1 + 0.06 * np.random.default_rng(seed).standard_normal(n))


def judged(base: Floats, flow: Floats | None = None, fact: Fact = Fact.DUST_BASE) -> Answer:
    series = {(fact, ALL): base}
    if flow is not None:
        series[Fact.FLOW_M3_S, ALL] = flow
    (answer,) = ask("dust_level_raised", dust_day(series)).values()
    return answer


def test_a_step_is_found_with_its_day() -> None:
    base = usual()
    base[-4:] *= 2.5
    answer = judged(base)
    assert answer.verdict is Verdict.FOUND
    assert answer.urgency is Urgency.NEXT_OUTAGE
    assert "on 2026-11-23" in answer.text
    assert "mg/m" in answer.text


def test_a_steady_rise_is_found() -> None:
    answer = judged(usual(60) * np.linspace(1, 2, 60))
    assert answer.verdict is Verdict.FOUND
    assert "rises" in answer.text


@pytest.mark.parametrize("seed", range(40))
def test_usual_days_are_clear(seed: int) -> None:
    assert judged(usual(seed=seed)).verdict is Verdict.CLEAR


def test_load_is_no_rise() -> None:
    flow = np.where(np.arange(N) < N - 6, 10.0, 17.0)
    base = usual() * flow / 10.0
    assert judged(base, flow).verdict is Verdict.CLEAR
    assert judged(base).verdict is Verdict.FOUND


def test_opacity_serves_where_there_is_no_dust_signal() -> None:
    answer = judged(usual(level=0.03), fact=Fact.OPACITY_BASE)
    assert answer.verdict is Verdict.CLEAR
    assert answer.text.startswith("Opacity between pulses 3")


def test_few_days_cannot_tell() -> None:
    answer = judged(usual(5))
    assert answer.verdict is Verdict.CANNOT_TELL
    assert answer.lack is Lack.HISTORY
