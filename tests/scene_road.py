"""The road of a nightly run, no store: samples -> condition -> minutes -> events -> facts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime

import polars as pl

from rowcall.condition.gate import condition
from rowcall.condition.minutes import minute_table
from rowcall.events.facts import daily_facts
from rowcall.events.find import Events, Signals, find_events
from rowcall.model import BaghouseDay
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
    find: Callable[[Baghouse, Signals, pl.DataFrame, float], Events] = find_events,
) -> tuple[BaghouseDay, Events]:
    """Lead the samples of any span of one day along the road; `find` finds the events."""
    start, end = span
    seconds = (end - start).total_seconds()
    conditioned = condition(baghouse, start, end, samples, before)
    minutes = minute_table(baghouse, conditioned.signals, seconds)
    events = find(baghouse, conditioned.signals, minutes, seconds)
    studied = BaghouseDay(
        day=day,
        start=start,
        end=end,
        baghouse=baghouse,
        signals=conditioned.signals,
        health=conditioned.health,
        minutes=minutes,
        pulses=events.pulses,
        cycles=events.cycles,
        facts=daily_facts(baghouse, conditioned.signals, minutes, events),
        history=no_history() if history is None else history,
        fires_known=events.fires_known,
        inferred=events.inferred,
        stacks=events.stacks,
    )
    return studied, events


def no_history() -> pl.DataFrame:
    """Return the history of a first day."""
    return pl.DataFrame(schema=HISTORY_SCHEMA)
