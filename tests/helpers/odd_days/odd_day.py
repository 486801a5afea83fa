"""Baghouse-days as no plant means to send them: drawn from nothing, or a simulated day damaged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import lru_cache
from random import Random
from typing import Any

import numpy as np
import numpy.typing as npt
from helpers.odd_days.damage import DAMAGES
from helpers.scenes import ZONE, Export, RowsBy, exports, kiln, on_time, thinned

from rowcall.days import day_bounds
from rowcall.model import Floats
from rowcall.runs.study import Kept
from rowcall.site import Baghouse, Role, Sample, Site, Tag
from rowcall.store.samples import TagSamples, epoch_us
from rowcall_plant import RowSilent

Doubles = npt.NDArray[np.float64]
Samples = dict[str, TagSamples]

_PLAIN = date(2026, 3, 2)
_DAYS = (date(2026, 3, 29), date(2026, 10, 25), _PLAIN, _PLAIN, _PLAIN)  # 23, 25 and 24 hours
_STEPS_S = (1, 2, 5, 10, 10, 20, 30, 30, 60, 60)
_DAY_US = 86_400_000_000
_SIMULATED = 0.4  # share of days that are simulated and then damaged


@dataclass(frozen=True, kw_only=True)
class OddDay:
    """One baghouse-day.

    Attributes:
        what: what was done to the samples, in order.
        has_past: the same samples lie on each of the days before too.
    """

    site: Site
    day: date
    samples: Samples
    what: tuple[str, ...] = ()
    has_past: bool = False

    @property
    def baghouse(self) -> Baghouse:
        """The only baghouse of the site."""
        return self.site.baghouse[0]

    def read(self, start: datetime, end: datetime) -> Kept:
        """Return the samples of a span, as the store does."""
        span = epoch_us(start), epoch_us(end)
        days = math.ceil((span[1] - span[0]) / _DAY_US) if self.has_past else 1
        return Kept({tag: _within(one, span, days) for tag, one in self.samples.items()}, {})


def _within(one: TagSamples, span: tuple[int, int], days: int) -> TagSamples:
    """Return a tag's samples of a span, repeated on so many days."""
    time = np.concatenate([one.time_us - back * _DAY_US for back in range(days)])
    time, places = np.unique(time, return_index=True)
    inside = (time >= span[0]) & (time < span[1])
    time, places = time[inside], places[inside] % max(1, one.value.size)
    return TagSamples(time, one.value[places], one.quality[places])


def draw_day(rng: Random) -> OddDay:
    """Return a day, damaged in a few ways."""
    odd = _simulated(rng) if rng.random() < _SIMULATED else _from_nothing(rng)
    odd = replace(odd, has_past=rng.random() < 0.3)
    for _ in range(rng.choice((0, 1, 1, 2, 3, 5))):
        odd = _damaged(rng, odd)
    return odd


def _damaged(rng: Random, odd: OddDay) -> OddDay:
    """Damage one tag, all tags of a role, or all."""
    damage = rng.choice(DAMAGES)
    tags = odd.baghouse.tag
    chosen = rng.choice(tags)
    reach = rng.choice(("tag", "tag", "role", "role", "role", "all"))
    hit = [
        tag.tag
        for tag in tags
        if reach == "all" or tag is chosen or (reach == "role" and tag.role is chosen.role)
    ]
    seed = rng.random()  # all tags alike, as by one historian
    samples = dict(odd.samples)
    for name in hit:
        one = samples[name]
        samples[name] = damage(Random(seed), one) if one.time_us.size else one
    if rng.random() < 0.1:
        samples[hit[0]] = samples[rng.choice(tags).tag]  # two tags swapped, or one wired twice
    what = f"{damage.__name__} of {chosen.tag if reach == 'tag' else reach}"
    return replace(odd, samples=samples, what=(*odd.what, what))


def _simulated(rng: Random) -> OddDay:
    """Return a day of the plant simulator; row 1 of the first compartment may be silent."""
    rows, rows_by = rng.choice(((1,), (4,), (3, 3))), rng.choice(("solenoid", "counter"))
    whole = _of_plant(rows, rows_by, rng.random() < 0.5)
    house, step = whole.baghouse, rng.choice(_STEPS_S)
    samples = thinned(whole, step)
    if rng.random() < 0.2:  # the cadence of header pressure alone
        hidden = (Role.ROW_SOLENOID, Role.STEP_COUNTER)
        seen = tuple(tag for tag in house.tag if tag.role not in hidden)
        house = house.model_copy(update={"tag": seen})
    kept = {tag.tag: samples[tag.tag] for tag in house.tag}
    what = f"plant of {rows} rows, {rows_by}, {step} s"
    return OddDay(site=_site(house), day=whole.day, samples=kept, what=(what,))


@lru_cache(maxsize=12)
def _of_plant(rows: tuple[int, ...], rows_by: RowsBy, is_silent: bool) -> Export:
    silent = RowSilent(start=datetime(2026, 3, 1, tzinfo=UTC), compartment=1, row=1)
    plan = kiln(rows=rows, cleaning=on_time(max(rows)) if len(rows) == 1 else None)
    return exports(plan, [silent] if is_silent else [], rows_by=rows_by, dust=True)[0]


def _site(house: Baghouse | dict[str, Any]) -> Site:
    plant = {"name": "Odd plant", "time_zone": ZONE}
    return Site.model_validate({"plant": plant, "baghouse": [house]})


def _from_nothing(rng: Random) -> OddDay:
    """Return a day of a baghouse with any set of tags, all of which send something."""
    day, compartments = rng.choice(_DAYS), rng.choice((1, 1, 1, 2, 2, 10))
    rows = [rng.choice((1, 2, 4) if compartments > 1 else (1, 4, 12)) for _ in range(compartments)]
    tags = [*_tags(rng, rows), *_pulse_tags(rng, rows)]
    house = {
        "id": "B1",
        "name": "Odd",
        "compartments": compartments,
        "rows_per_compartment": rows,
        "cleaning": rng.choice(_CLEANING),
        "tag": [tag | {"tag": f"T{n}"} for n, tag in enumerate(tags)],
        **{key: value for key, value in _SETTINGS.items() if rng.random() < 0.5},
    }
    site = _site(house)
    start, end = day_bounds(day, site.plant.zone)
    plan = _Plan(
        start_us=epoch_us(start),
        seconds=(end - start).total_seconds(),
        step_s=rng.choice(_STEPS_S if sum(rows) < 10 else _STEPS_S[3:]),
        interval_s=rng.choice((0.5, 3.0, 10.0, 12.0, 30.0, 600.0, 1e6)),
        order=[(c, r) for c, n in enumerate(rows, 1) for r in range(1, n + 1)],
    )
    samples = {tag.tag: plan.of(rng, tag) for tag in site.baghouse[0].tag}
    what = f"drawn with {rows} rows, {len(tags)} tags, {plan.step_s} s, pulse {plan.interval_s} s"
    return OddDay(site=site, day=day, samples=samples, what=(what,))


def _tags(rng: Random, rows: Sequence[int]) -> list[dict[str, Any]]:
    """Return tags of the whole baghouse, and of each compartment where they serve those."""
    out: list[dict[str, Any]] = []
    for role, unit in _UNITS.items():
        if rng.random() < 0.25:
            continue
        by_compartment = len(rows) > 1 and rng.random() < _BY_COMPARTMENT.get(role, 0.0)
        every = range(1, len(rows) + 1) if by_compartment else [None]
        sample = rng.choice(_SAMPLE) if role not in _BITS else "on change"
        out += [
            {"role": role, "unit": unit, "sample": sample, "compartment": c}
            for c in every
            if c is None or rng.random() < 0.9
        ]
    return out


def _pulse_tags(rng: Random, rows: Sequence[int]) -> list[dict[str, Any]]:
    """Return bits of rows, a counter, or nothing that shows the pulses."""
    sample, bit = rng.choice(("on change", "at intervals")), {"unit": "1"}
    shown = rng.choice(("bits", "bits", "counter", "counters", ""))
    if shown == "bits":
        places = [(c, r) for c, n in enumerate(rows, 1) for r in range(1, n + 1)]
        kept = [place for place in places if rng.random() < 0.95]
        return [
            bit | {"role": "row_solenoid", "compartment": c, "row": r, "sample": sample}
            for c, r in kept
        ]
    if shown == "counter":
        return [bit | {"role": "step_counter", "sample": sample}]
    every = range(1, len(rows) + 1) if shown else ()
    return [bit | {"role": "step_counter", "compartment": c, "sample": sample} for c in every]


_UNITS = {
    "dp": "Pa",
    "header_pressure": "bar",
    "supply_pressure": "bar",
    "inlet_temperature": "Cel",
    "outlet_temperature": "Cel",
    "opacity": "%",
    "dust_signal": "%",
    "gas_flow": "m3/h",
    "fan_signal": "A",
    "cleaning_on": "1",
    "compartment_on_line": "1",
}
_BITS = ("cleaning_on", "compartment_on_line")
_BY_COMPARTMENT = {"header_pressure": 0.7, "compartment_on_line": 1.0, "inlet_temperature": 0.3}
_SAMPLE = ("at intervals", "at intervals", "at intervals", "thinned", "on change")
_CLEANING = ({"mode": "on_time", "interval": "12 s"}, {"mode": "on_demand"})
_SETTINGS: dict[str, Any] = {
    "media": "polyester",
    "design_flow": "60000 m3/h",
    "residual_dp_limit": "1.6 kPa",
    "header_volume": "0.2 m3",
    "cloth_area": "1000 m2",
    "pulse_pressure": "6 bar",
}


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What a drawn day sends: rows pulsed in order at one interval, answered by the header."""

    start_us: int
    seconds: float
    step_s: int
    interval_s: float
    order: Sequence[tuple[int, int]]

    def of(self, rng: Random, tag: Tag) -> TagSamples:
        """Return the samples of a tag."""
        if tag.role in (Role.ROW_SOLENOID, Role.STEP_COUNTER):
            return self._pulses(tag)
        random = np.random.default_rng(rng.randrange(2**32))
        second = np.arange(0, self.seconds, self.step_s) + rng.choice((0.0, 0.3))
        level, swing = _LEVELS.get(tag.role, (1.0, 0.0))
        value = level + swing * np.sin(second / rng.choice((300.0, 7200.0, 1e5)))
        value += random.normal(size=second.size) * rng.choice((0.0, 0.001, 0.01)) * level
        if tag.role is Role.HEADER_PRESSURE:
            drop, tau = rng.choice((0.05, 1.0, 5.0)), rng.choice((0.5, 4.0, 60.0))
            value -= drop * np.exp(-(second % self.interval_s) / tau)
        return self._samples(second, value)

    def _pulses(self, tag: Tag) -> TagSamples:
        """Return a bit that is on for 0.2 s at each pulse of its row, or a counter of rows."""
        at = np.arange(0, self.seconds, self.interval_s)
        turn = np.arange(at.size) % len(self.order)
        if tag.role is Role.STEP_COUNTER:
            own = [n for n, (c, _) in enumerate(self.order) if tag.compartment in (None, c)]
            is_own = np.isin(turn, own)
            second, value = at[is_own], (turn[is_own] - own[0] + 1).astype(np.float64)
        else:
            mine = at[turn == self.order.index((tag.compartment or 1, tag.row or 1))]
            second = np.column_stack((mine, mine + 0.2)).ravel()
            value = np.tile(np.array((1.0, 0.0)), mine.size)
        if tag.sample is Sample.ON_CHANGE or not second.size:
            return self._samples(second, value)
        grid = np.arange(0, self.seconds, self.step_s, dtype=np.float64)
        held = np.searchsorted(second, grid, side="right") - 1
        return self._samples(grid, np.where(held < 0, 0.0, value[held]))

    def _samples(self, second: Floats, value: Doubles) -> TagSamples:
        time = self.start_us + (second * 1e6).astype(np.int64)
        return TagSamples(time, value, np.zeros(time.size, np.uint8))


_LEVELS = {
    Role.DP: (1200.0, 300.0),
    Role.HEADER_PRESSURE: (6.0, 0.1),
    Role.SUPPLY_PRESSURE: (7.0, 0.2),
    Role.INLET_TEMPERATURE: (130.0, 30.0),
    Role.OUTLET_TEMPERATURE: (110.0, 20.0),
    Role.OPACITY: (5.0, 2.0),
    Role.DUST_SIGNAL: (5.0, 2.0),
    Role.GAS_FLOW: (50_000.0, 20_000.0),
    Role.FAN_SIGNAL: (80.0, 60.0),
}
