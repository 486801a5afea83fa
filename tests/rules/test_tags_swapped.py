"""Inlet and outlet temperature swapped, by facts made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from helpers.scene_answers import ask
from helpers.sensor_days import fact_day, house, tag

from rowcall.model import Answer, Fact, Signal, Subject, TagHealth, Verdict
from rowcall.site import Role

RULE = "tags_swapped"
BOTH = (Role.INLET_TEMPERATURE, Role.OUTLET_TEMPERATURE)
SIGNAL = Signal(np.arange(0.0, 86_400.0, 60.0), np.full(1440, 150.0))


def judged(drop: float, lag_s: float | None = None, past: tuple[float, ...] = ()) -> Answer:
    today = {(Fact.OUTLET_DROP_K, 0): drop}
    today |= {} if lag_s is None else {(Fact.OUTLET_LAG_S, 0): lag_s}
    day = fact_day(house(*map(tag, BOTH)), today, {(Fact.OUTLET_DROP_K, 0): past} if past else {})
    health = tuple(TagHealth(f"{role.name}-0", role, 0, 0, 1440, 0, 0, 1.0, 60.0) for role in BOTH)
    signals = {(role, 0, 0): SIGNAL for role in BOTH}
    return ask(RULE, replace(day, signals=signals, health=health))[Subject("BH1")]


@pytest.mark.parametrize(
    ("drop", "lag_s", "past"),
    [(-9.0, -240.0, ()), (-9.0, None, (9.0,) * 5), (-9.0, -240.0, (9.0,))],
)
def test_an_outlet_that_is_warmer_and_comes_first_or_mirrors_is_found(
    drop: float, lag_s: float | None, past: tuple[float, ...]
) -> None:
    answer = judged(drop, lag_s, past)
    assert answer.verdict is Verdict.FOUND
    assert answer.condemns == BOTH
    assert "Outlet temperature (OUTLET_TEMPERATURE-0) reads 9 K above" in answer.text


def test_an_outlet_that_is_colder_is_clear_whatever_comes_first() -> None:
    assert judged(9.0, -240.0).verdict is Verdict.CLEAR
    assert judged(-1.0, -240.0).verdict is Verdict.CLEAR


def test_an_outlet_that_reads_too_high_but_comes_later_is_not_swapped() -> None:
    assert judged(-9.0, 240.0).verdict is Verdict.CANNOT_TELL
    assert judged(-9.0, 240.0, (3.0,) * 5).verdict is Verdict.CANNOT_TELL


def test_without_both_tags_it_cannot_tell() -> None:
    day = fact_day(house(tag(Role.INLET_TEMPERATURE)), {})
    assert ask(RULE, day)[Subject("BH1")].verdict is Verdict.CANNOT_TELL
