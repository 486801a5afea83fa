"""Trials of residual DP: growth is found in a week, healthy plants are quiet, dates hold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rowcall.model import Verdict
from trials.residual_dp import SETTINGS, Plant, answer_of, dates_cover, plant_of, series_of


def verdict(plant: Plant, days: int, growth: float = 0.0, onset: int = 0) -> Verdict:
    value, flow = series_of(plant, days, growth, onset)
    return answer_of(value, flow).verdict


def clean(seed: int, *, on_time: bool = True) -> Plant:
    """A plant with a flow tag whose days scatter by 1.5 % at most and none is missing."""
    plant = plant_of(seed, on_time=on_time)
    return replace(plant, missing=0.0, noise=plant.noise / 2)


def test_two_per_cent_a_day_are_found_by_the_eighth_day() -> None:
    found = [
        verdict(clean(seed), onset + 8, 0.02, onset) is Verdict.FOUND
        for seed in range(10)
        for onset in (0, 14)
    ]
    assert np.mean(found) >= 0.95


def test_healthy_plants_are_quiet() -> None:
    found = [
        verdict(clean(seed, on_time=bool(seed % 3)), days) is Verdict.FOUND
        for seed in range(10)
        for days in (8, 14, 40)
    ]
    assert sum(found) == 0


def test_the_date_of_the_limit_lies_in_its_interval() -> None:
    """Of all settings together; RESULTS.md has them one by one."""
    held = np.array([dates_cover(one, seed, (5, 15, 40)) for one in SETTINGS for seed in range(4)])
    line, level, _ = held.mean(axis=(0, 1))
    assert 0.90 <= line <= 0.995
    assert 0.88 <= level <= 0.995
