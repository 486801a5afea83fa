"""One tag's points of one day, and what the gate makes of them."""

from __future__ import annotations

from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np

from rowcall.condition.gate import Conditioned, condition
from rowcall.days import day_bounds
from rowcall.model import Floats, Signal, TagHealth
from rowcall.site import Baghouse, Cleaning, Role, Tag
from rowcall.store.samples import GOOD, TagSamples

ZONE = ZoneInfo("Europe/Vienna")
START, END = day_bounds(date(2026, 3, 2), ZONE)
DAY_S = 86_400


def tag(role: Role = Role.HEADER_PRESSURE, unit: str = "bar", **how: object) -> Tag:
    place = {} if role is Role.DP else {"compartment": 1}
    return Tag.model_validate({"role": role, "tag": "T", "unit": unit, **place, **how})


def samples(
    time_s: Floats, value: Floats, quality: int | Floats = GOOD, start: datetime = START
) -> TagSamples:
    time_us = np.rint((start.timestamp() + np.asarray(time_s)) * 1e6).astype(np.int64)
    codes = np.broadcast_to(np.asarray(quality), time_us.shape).astype(np.uint8)
    return TagSamples(time_us, np.asarray(value, np.float64), codes)


def conditioned(
    one: Tag,
    points: TagSamples | None,
    before: tuple[int, float, int] | None = None,
    bounds: tuple[datetime, datetime] = (START, END),
) -> Conditioned:
    house = Baghouse(
        id="BH1",
        name="Kiln filter",
        compartments=1,
        rows_per_compartment=(2,),
        cleaning=Cleaning(mode="on_time"),
        tag=(one,),
    )
    held = {} if before is None else {one.tag: before}
    return condition(house, *bounds, {} if points is None else {one.tag: points}, held)


def only(result: Conditioned) -> tuple[Signal, TagHealth]:
    (signal,) = result.signals.values()
    (health,) = result.health
    return signal, health


def each_second(n: int = DAY_S) -> Floats:
    return np.arange(n, dtype=np.float64)


def live(n: int = DAY_S, level: float = 6.0, sd: float = 0.01) -> Floats:
    return level + sd * np.random.default_rng(4).standard_normal(n)
