"""The road of a nightly run, no store: samples -> condition -> minutes -> events -> facts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime

import polars as pl

from rowcall.events.find import Events, find_events
from rowcall.model import BaghouseDay
from rowcall.runs import study
from rowcall.runs.study import Find, Kept
from rowcall.site import Baghouse
from rowcall.store.samples import TagSamples

HISTORY_SCHEMA = {
    "day": pl.Date,
    "compartment": pl.Int64,
    "row": pl.Int64,
    "name": pl.String,
    "value": pl.Float64,
}

Samples = Mapping[str, TagSamples]


def study_span(
    baghouse: Baghouse,
    day: date,
    span: tuple[datetime, datetime],
    samples: Samples,
    before: Mapping[str, tuple[int, float, int]],
    history: pl.DataFrame | None = None,
    find: Find = find_events,
) -> tuple[BaghouseDay, Events]:
    """Lead the samples of any span of one day along the road; `find` finds the events."""
    known = no_history() if history is None else history
    return study.study_span(baghouse, day, span, lambda *_: Kept(samples, before), known, find)


def no_history() -> pl.DataFrame:
    """Return the history of a first day."""
    return pl.DataFrame(schema=HISTORY_SCHEMA)
