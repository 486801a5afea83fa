"""Scenes of the tests: days of an invented plant, from the simulator to what rules look at.

The pipeline is that of a nightly run, samples -> condition -> minutes -> events -> facts, no store.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from functools import cache, lru_cache
from itertools import islice
from pathlib import Path
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
from helpers.scene_road import Samples, study_span

from rowcall.days import day_bounds
from rowcall.events.find import Events
from rowcall.model import HISTORY_COLUMNS, BaghouseDay, Fact, FactBook, History
from rowcall.runs.judge import with_day
from rowcall.site import Baghouse, Sample
from rowcall.site_file import read_site
from rowcall.store.samples import TagSamples
from rowcall_plant import (
    BaghousePlan,
    CleaningPlan,
    FabricPlan,
    Fault,
    GasPlan,
    HeaderPlan,
    PlannedStop,
    Truth,
    simulate_days,
    site_text,
    tag_list,
)
from rowcall_plant.points import TagPoints, tag_points

ZONE = "Europe/Vienna"
FIRST = date(2026, 3, 2)
RowsBy = Literal["solenoid", "counter"]


def local(day: int, hour: int = 0, minute: int = 0) -> datetime:
    """UTC instant of a plant-local wall-clock time, days counted from the first of a scene."""
    at = datetime.combine(FIRST + timedelta(days=day), datetime.min.time(), ZoneInfo(ZONE))
    return at.replace(hour=hour, minute=minute).astimezone(UTC)


def kiln(
    *,
    rows: tuple[int, ...] = (6, 6),
    cleaning: CleaningPlan | None = None,
    stops: tuple[PlannedStop, ...] = (),
    noise_scale: float = 1.0,
    solenoid_clock_offset_s: float = 0.0,
    header: HeaderPlan | None = None,
) -> BaghousePlan:
    """Return a small filter on hot gas; rows fire every 10 s, one in turn from each compartment."""
    order = tuple(range(1, max(rows) + 1))
    return BaghousePlan(
        id="BH1",
        name="Kiln filter",
        time_zone=ZONE,
        rows_per_compartment=rows,
        fabric=FabricPlan(area_m2=1008.0),
        gas=GasPlan(design_flow_m3_s=60_000.0 / 3600.0, stops=stops),
        header=header or HeaderPlan(),
        cleaning=cleaning or CleaningPlan(firing_order=order),
        noise_scale=noise_scale,
        solenoid_clock_offset_s=solenoid_clock_offset_s,
    )


def on_time(n_rows: int, interval_s: float = 12.0) -> CleaningPlan:
    """Return cleaning by the clock, rows in order."""
    return CleaningPlan(
        mode="on_time", interval_s=interval_s, firing_order=tuple(range(1, n_rows + 1))
    )


@cache
def site_of(text: str) -> Baghouse:
    """Return the first baghouse of a site file's text."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_text(text, encoding="utf-8")
        return read_site(path).baghouse[0]


@dataclass(frozen=True, kw_only=True, eq=False)
class Export:
    """What the historian gave for one day: the baghouse as the site file has it, and samples.

    hours: of the end of the day that there are; 24: the whole day, of whatever length.
    """

    baghouse: Baghouse
    day: date
    samples: Samples
    truth: Truth
    before: Mapping[str, tuple[int, float, int]] = field(default_factory=dict)
    zone: str = ZONE
    hours: int = 24

    @property
    def span(self) -> tuple[datetime, datetime]:
        """Begin and end as UTC instants."""
        start, end = day_bounds(self.day, ZoneInfo(self.zone))
        return (start if self.hours == 24 else end - timedelta(hours=self.hours)), end


@dataclass(frozen=True, kw_only=True)
class Studied:
    """One day, studied, with the events behind it and the truth."""

    day: BaghouseDay
    events: Events
    truth: Truth


def exports(
    plan: BaghousePlan,
    faults: Sequence[Fault] = (),
    *,
    days: int = 1,
    seed: int = 1,
    rows_by: RowsBy = "solenoid",
    drop: Iterable[str] = (),
    dust: bool = False,
    step_s: int = 1,
    first: int = 0,
    hours: int = 24,
) -> list[Export]:
    """Simulate days and return what a historian would hand out; the same objects for the same call.

    drop: roles that have no tag. dust: has tags of dust, which cost a quarter of a study.
    step_s: period of the points at intervals [s]. first: day that the plant is started on.
    hours: simulated of the first day, if not all of it; no day follows.
    """
    without = frozenset(drop) | (frozenset() if dust else {"opacity", "dust_signal"})
    whole = (plan, tuple(faults), (first, days), seed, rows_by, without, hours)
    return list(_thinned(step_s, *whole))


@lru_cache(maxsize=8)
def _thinned(step_s: int, *whole: Any) -> tuple[Export, ...]:
    found = _simulated(*whole)
    return tuple(
        one if step_s == 1 else replace(one, samples=thinned(one, step_s)) for one in found
    )


@lru_cache(maxsize=16)  # of about 15 MB each
def _simulated(
    plan: BaghousePlan,
    faults: tuple[Fault, ...],
    days: tuple[int, int],
    seed: int,
    rows_by: RowsBy,
    drop: frozenset[str],
    hours: int,
) -> tuple[Export, ...]:
    tags = tuple(tag for tag in tag_list(plan, 100, rows_by=rows_by) if tag.role not in drop)
    baghouse = site_of(site_text("Ondravel Lime", [(plan, tags)]))
    first, n_days = days
    simulated = simulate_days(plan, faults, start=local(first, 24 - hours), days=n_days, seed=seed)
    return tuple(
        Export(
            baghouse=baghouse,
            day=one.span.day,
            truth=one.truth,
            samples={points.tag: _samples(points) for points in tag_points(plan, one, tags)},
            hours=hours,
        )
        for one in islice(simulated, n_days)
    )


def _samples(points: TagPoints) -> TagSamples:
    """Return a tag's points as good samples, read-only: tests share them."""
    quality = np.zeros(len(points.value), np.uint8)
    for values in (points.time_us, points.value, quality):
        values.setflags(write=False)
    return TagSamples(points.time_us, points.value, quality)


def thinned(export: Export, step: int) -> dict[str, TagSamples]:
    """Return every `step`-th point of tags at intervals, and all points of the others."""
    whole = {tag.tag for tag in export.baghouse.tag if tag.sample is not Sample.AT_INTERVALS}
    return {
        name: one
        if name in whole
        else TagSamples(one.time_us[::step], one.value[::step], one.quality[::step])
        for name, one in export.samples.items()
    }


def study(export: Export, history: History | None = None) -> Studied:
    """Study one day; the same object for the same export without a history."""
    return _alone(export) if history is None else _studied(export, history)


@lru_cache(maxsize=8)
def _alone(export: Export) -> Studied:
    return _studied(export, History())


def _studied(export: Export, history: History) -> Studied:
    day, events = study_span(
        export.baghouse, export.day, export.span, export.samples, export.before, history
    )
    day = replace(day, zone=ZoneInfo(export.zone))
    return Studied(day=day, events=events, truth=export.truth)


def study_all(days: Iterable[Export], history: History | None = None) -> list[Studied]:
    """Study days in order, each with the facts of those before it."""
    history, out = history or History(), list[Studied]()
    for export in days:
        studied = _studied(export, history)
        out.append(studied)
        history = with_day(history, studied.day, ())
    return out


def history_of(
    values: Mapping[Fact, Sequence[float]], last: date, place: tuple[int, int] = (0, 0)
) -> History:
    """Return facts of one place on consecutive days that end the day before `last`."""
    lines = [
        (last - timedelta(days=len(series) - n), *place, fact.column, float(value))
        for fact, series in values.items()
        for n, value in enumerate(series)
    ]
    return History(pl.DataFrame(lines, schema=HISTORY_COLUMNS, orient="row"))


def fact(day: BaghouseDay, name: Fact, compartment: int = 0, row: int = 0) -> float | None:
    """Return one fact of a day, None where it has none."""
    return FactBook(day.facts).get((name, compartment, row))


def sample_tag(export: Export, role: str, compartment: int | None = None) -> str:
    """Return the name of the tag that plays a role."""
    return next(
        tag.tag
        for tag in export.baghouse.tag
        if tag.role.value == role and tag.compartment == compartment
    )
