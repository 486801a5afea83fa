"""The compartment with which dust goes: found by its changes, load and thin data are not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from helpers.dust_days import dust_day, dust_house
from helpers.scene_answers import ask

from rowcall.events.dust.monitor import Dust
from rowcall.events.dust.off_line import off_line_ratios
from rowcall.model import Answer, Fact, Signal, Verdict
from rowcall.site import Baghouse


def house() -> Baghouse:
    tags = [
        {"role": "dust_signal", "tag": "D", "unit": "mg/m3"},
        {"role": "compartment_on_line", "tag": "Z1", "unit": "1", "compartment": 1},
    ]
    return dust_house(compartments=3, tag=tags)


def judged(ratios: Sequence[float], n: float = 2.0, days: int = 3) -> dict[int, Answer]:
    series = {}
    for c, ratio in enumerate(ratios, start=1):
        series[Fact.OFF_LINE_DUST, (c, 0)] = [float(np.log(ratio))] * days
        series[Fact.N_OFF_LINE, (c, 0)] = [n] * days
    answers = ask("leaking_compartment", dust_day(series, baghouse=house()))
    return {one.compartment: answer for one, answer in answers.items()}


def test_the_leaking_compartment_is_named_alone() -> None:
    found = judged([1.05, 0.6, 1.0])
    assert [found[c].verdict for c in (1, 2, 3)] == [Verdict.CLEAR, Verdict.FOUND, Verdict.CLEAR]
    assert "60 %" in found[2].text


@pytest.mark.parametrize("ratios", [[1.0, 0.9, 1.1], [0.7, 0.7, 0.72]])
def test_a_little_less_or_less_with_each_is_no_leak(ratios: Sequence[float]) -> None:
    assert {a.verdict for a in judged(ratios).values()} == {Verdict.CLEAR}


def test_few_changes_cannot_tell() -> None:
    assert {a.verdict for a in judged([1.0, 0.5, 1.0], days=1).values()} == {Verdict.CANNOT_TELL}


def test_a_day_of_which_one_fact_is_missing_does_not_count() -> None:
    series = {
        (Fact.OFF_LINE_DUST, (c, 0)): [float(np.log(ratio))] * 2
        for c, ratio in enumerate((1.0, 0.6, 1.0), start=1)
    } | {(Fact.N_OFF_LINE, (c, 0)): [9.0, 2.0, 2.0] for c in (1, 2, 3)}
    answers = ask("leaking_compartment", dust_day(series, baghouse=house()))
    found = {one.compartment: answer for one, answer in answers.items()}
    assert found[2].verdict is Verdict.FOUND
    assert "4 changes" in found[2].text


def test_ratios_are_those_of_each_change_alone() -> None:
    at = np.arange(0.0, 20_000.0, 10.0)
    off = (at >= 5000) & (at < 9000)
    dust = Dust(at, np.where(off, 0.6, 1.0), [])
    bit = Signal(np.array([0.0, 5000.0, 9000.0]), np.array([1.0, 0.0, 1.0]), step=True)
    assert off_line_ratios(dust, bit) == pytest.approx([0.6, 0.6], abs=0.02)
    flutter = Signal(np.array([0.0, 5000.0, 5100.0]), np.array([1.0, 0.0, 1.0]), step=True)
    assert off_line_ratios(dust, flutter).size == 0
    stopped = Dust(at[~off], np.ones((~off).sum()), [])
    assert off_line_ratios(stopped, bit).size == 0
