"""Trials of residual DP by the day: invented plants, healthy or with growing drag, and the answer.

Nothing here comes from `rowcall_plant`: a day is a residual DP, a flow and their noise, so that
hundreds of days of hundreds of plants cost minutes. Load swings, weekly pattern, season, noise with
memory, days that are missing and plants without a flow tag are drawn by the seed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from helpers.daily_facts import answer_by_days
from helpers.scenes import kiln, site_of

from rowcall.diagnosis.trend import fit_trend
from rowcall.model import (
    Answer,
    Fact,
    Floats,
)
from rowcall_plant import site_text, tag_list
from rowcall_rules.filter.rising_residual_dp import RULE, reached

FIRST = date(2026, 1, 1)
FLOW = 16.0  # [m3/s]


@dataclass(frozen=True, slots=True)
class Plant:
    """What a seed draws; shares are of the residual DP or the flow.

    exponent: of DP over flow, 1.1-1.9 under cleaning by the clock (cake grows with flow too), 0-0.3
        where a controller holds DP.
    cake_share: share of residual DP that does not grow with residual drag.
    """

    seed: int
    has_flow: bool
    exponent: float
    weekend: float
    load: float
    season: float
    noise: float
    memory: float
    dust: float
    missing: float
    cake_share: float


def plant_of(seed: int, *, on_time: bool = True) -> Plant:
    """Draw a plant; with `on_time` cleaned by the clock."""
    rng = np.random.default_rng([seed, 1])
    return Plant(
        seed=seed,
        has_flow=bool(rng.random() < 0.75),
        exponent=float(rng.uniform(1.1, 1.9) if on_time else rng.uniform(0.0, 0.3)),
        weekend=float(rng.choice([0.0, rng.uniform(0.05, 0.4)])),
        load=float(rng.uniform(0.0, 0.06)),
        season=float(rng.uniform(0.0, 0.04)),
        noise=float(rng.uniform(0.003, 0.03)),
        memory=float(rng.uniform(0.0, 0.7)),
        dust=float(rng.uniform(0.0, 0.015)),
        missing=float(rng.choice([0.0, 0.05])),
        cake_share=float(rng.uniform(0.0, 0.35)),
    )


def remembering(rng: np.random.Generator, n: int, memory: float) -> Floats:
    """Return a stationary first-order autoregression of unit variance, shape (n,)."""
    value = rng.standard_normal(n)
    for k in range(1, n):
        value[k] = memory * value[k - 1] + np.sqrt(1 - memory**2) * value[k]
    return value


def series_of(plant: Plant, n: int, growth: float = 0.0, onset: int = 0) -> tuple[Floats, Floats]:
    """Return residual DP [Pa] and flow [m3/s] of n days, nan where a day is missing.

    growth: of residual drag a day, compound, from day `onset` on.
    """
    rng = np.random.default_rng([plant.seed, 2])
    day = np.arange(n)
    is_weekend = (day + rng.integers(7)) % 7 >= 5
    flow = FLOW * (1 - plant.weekend * is_weekend) * (1 + plant.load * remembering(rng, n, 0.5))
    drag = (1 + growth) ** np.maximum(day - onset, 0)
    drag = plant.cake_share + (1 - plant.cake_share) * drag
    season = plant.season * np.sin(2 * np.pi * (day / 365 + rng.random()))
    scatter = plant.noise * remembering(rng, n, plant.memory)
    scatter += plant.dust * remembering(rng, n, 0.95)
    value = 900.0 * drag * (flow / FLOW) ** plant.exponent * (1 + season + scatter)
    lost = rng.random(n) < plant.missing
    return np.where(lost, np.nan, value), flow


def answer_of(value: Floats, flow: Floats | None) -> Answer:
    """Return the rule's answer on the last day of a series, which must have a value."""
    house = site_of(site_text("Plant", [(kiln(), tag_list(kiln(), 100, rows_by="solenoid"))]))
    series = {Fact.RESIDUAL_DP_PA: value}
    if flow is not None:
        series |= {Fact.RESIDUAL_DP_PER_FLOW: value / flow, Fact.FLOW_M3_S: flow}
    last = FIRST + timedelta(days=value.size - 1)
    return answer_by_days(RULE, house, series, last)


@dataclass(frozen=True, slots=True)
class Setting:
    """How a series that a date is projected from was made; noise 20 Pa on 900 Pa, 6 Pa a day.

    weekly: what weekends lie lower by [Pa]. bent: the rate was 2 Pa a day until a third ago.
    """

    days: int
    memory: float
    weekly: float
    bent: bool


SETTINGS = tuple(
    Setting(days, memory, weekly, bent)
    for days in (30, 90)
    for memory in (0.0, 0.4, 0.8)
    for weekly, bent in ((0.0, False), (30.0, False), (0.0, True))
)


def dates_cover(setting: Setting, seed: int, ahead: Sequence[int]) -> list[tuple[bool, bool, bool]]:
    """Return for limits that the line reaches so many days ahead whether the interval holds.

    Returns:
        for each: the day the line reaches it; the day a median of three days does; open end.
    """
    rng = np.random.default_rng([seed, setting.days, round(10 * setting.memory), setting.bent])
    n = setting.days
    day = np.arange(n + 150) - (n - 1.0)
    line = 900 + 6.0 * day
    if setting.bent:
        knee = -(n // 3)
        line = np.where(day < knee, 900 + 6.0 * knee + 2.0 * (day - knee), line)
    value = line + 20 * remembering(rng, day.size, setting.memory)
    value -= setting.weekly * ((np.arange(day.size) + rng.integers(7)) % 7 >= 5)
    trend = fit_trend(day[:n], value[:n])
    assert trend is not None
    level = np.array([np.median(value[k - 2 : k + 1]) for k in range(n, day.size)])
    out = []
    for days in ahead:
        limit_pa = 900 + 6.0 * days
        early, late = reached(trend, limit_pa)
        first = 1 + int(np.argmax(level >= limit_pa))
        out.append((early <= days <= late, early <= first <= late, late == np.inf))
    return out
