"""One baghouse-day along the road: samples -> condition -> events -> facts."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from rowcall.condition.gate import condition
from rowcall.condition.minutes import minute_table
from rowcall.condition.sampling import LONGEST_STEP_S
from rowcall.days import day_bounds
from rowcall.events.facts import daily_facts
from rowcall.events.find import find_events
from rowcall.model import BaghouseDay
from rowcall.site import Baghouse, Sample, Site
from rowcall.store import Store
from rowcall.store.samples import last_before, read_samples


def study_day(
    store: Store, site: Site, baghouse: Baghouse, day: date, history: pl.DataFrame
) -> BaghouseDay:
    """Return everything that the rules may look at for one baghouse and plant-local day."""
    baghouse = baghouse.on(day)
    start, end = day_bounds(day, site.plant.zone)
    names = [tag.tag for tag in baghouse.tag]
    held = [tag.tag for tag in baghouse.tag if tag.sample is not Sample.SNAPSHOT]
    conditioned = condition(
        baghouse,
        start,
        end,
        read_samples(store, names, start, end),
        last_before(store, held, start, within=timedelta(seconds=LONGEST_STEP_S)) if held else {},
    )
    seconds = (end - start).total_seconds()
    minutes = minute_table(baghouse, conditioned.signals, seconds)
    events = find_events(baghouse, conditioned.signals, minutes, seconds)
    return BaghouseDay(
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
        history=history,
        fires_known=events.fires_known,
        inferred=events.inferred,
        stacks=events.stacks,
    )
