"""The pipeline of a nightly run, no store: samples -> condition -> minutes -> events -> facts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

from rowcall.days import day_bounds
from rowcall.events.find import Events, find_events
from rowcall.model import BaghouseDay, History
from rowcall.runs import study
from rowcall.runs.study import Find, Kept, Read
from rowcall.site import Baghouse
from rowcall.store.samples import TagSamples

Samples = Mapping[str, TagSamples]


def study_span(
    baghouse: Baghouse,
    day: date,
    span: tuple[datetime, datetime],
    samples: Samples,
    before: Mapping[str, tuple[int, float, int]],
    history: History | None = None,
    find: Find = find_events,
) -> tuple[BaghouseDay, Events]:
    """Study the samples of any span of one day; `find` finds the events."""
    studied, events = study.study_span(baghouse, day, span, Kept(samples, before), find)
    return replace(studied, history=history or History()), events


def study_from(
    read: Read, baghouse: Baghouse, day: date, zone: ZoneInfo, history: History
) -> BaghouseDay:
    """Study one plant-local day with its past."""
    span = day_bounds(day, zone)
    studied, _ = study.study_span(baghouse, day, span, read(*span))
    return study.with_past(studied, history, read, zone, studied.units)
