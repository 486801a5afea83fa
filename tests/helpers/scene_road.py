"""The pipeline of a nightly run, no store: samples -> condition -> minutes -> events -> facts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime

from rowcall.events.find import Events, find_events
from rowcall.model import BaghouseDay, History
from rowcall.runs import study
from rowcall.runs.study import Find, Kept
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
    known = history or History()
    return study.study_span(baghouse, day, span, lambda *_: Kept(samples, before), known, find)
