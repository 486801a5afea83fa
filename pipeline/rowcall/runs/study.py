"""One baghouse-day through the pipeline: samples -> condition -> events -> facts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

import polars as pl

from rowcall.condition.gate import Conditioned, condition
from rowcall.condition.minutes import minute_table
from rowcall.condition.sampling import LONGEST_STEP_S
from rowcall.days import day_bounds
from rowcall.events.dust.day_dust import day_dust
from rowcall.events.facts.daily import daily_facts, row_facts
from rowcall.events.facts.pooled_days import (
    Place,
    days_wanted,
    is_of,
    rows_by_days,
    with_more_days,
)
from rowcall.events.find import Events, Signals, find_events
from rowcall.events.operation.gas_seconds import gas_seconds
from rowcall.events.operation.start_events import find_starts
from rowcall.model import PUFF_COLUMNS, BaghouseDay, History, Subject
from rowcall.site import Baghouse, Sample, Site
from rowcall.store import Store
from rowcall.store.samples import TagSamples, last_before, read_samples


class Kept(NamedTuple):
    """Samples of a span by tag, and the last one before it of the tags that hold their value."""

    samples: Mapping[str, TagSamples]
    before: Mapping[str, tuple[int, float, int]]


Read = Callable[[datetime, datetime], Kept]
Find = Callable[[Baghouse, Signals, pl.DataFrame, float], Events]


def study_day(
    store: Store, site: Site, baghouse: Baghouse, day: date, history: History
) -> BaghouseDay:
    """Return everything that the rules may look at for one baghouse and plant-local day."""
    baghouse = baghouse.on(day)
    names = [tag.tag for tag in baghouse.tag]
    held = [tag.tag for tag in baghouse.tag if tag.sample is not Sample.AT_INTERVALS]
    within = timedelta(seconds=LONGEST_STEP_S)

    def read(start: datetime, end: datetime) -> Kept:
        before = last_before(store, held, start, within=within) if held else {}
        return Kept(read_samples(store, names, start, end), before)

    studied = study_from(read, baghouse, day, site.plant.zone, history)
    return replace(studied, units=site.units.scales)


def study_from(
    read: Read, baghouse: Baghouse, day: date, zone: ZoneInfo, history: History
) -> BaghouseDay:
    """Study one plant-local day; its rows together with days before it, where they need them."""
    studied, _ = study_span(baghouse, day, day_bounds(day, zone), read, history)
    studied = replace(studied, zone=zone)
    n_days = days_wanted(day, studied.facts, history.facts)
    if n_days == 1 or not studied.fires_known or studied.inferred:
        return studied  # places in a sequence are numbered anew each day
    rows = [Subject(baghouse.id, *place) for place in baghouse.all_rows()]
    for n, places in rows_by_days(n_days, day, rows, history.restarts).items():
        if n > 1:
            first, _ = day_bounds(day - timedelta(days=n - 1), zone)
            studied = _over_days(studied, first, n, places, read)
    return studied


def study_span(
    baghouse: Baghouse,
    day: date,
    span: tuple[datetime, datetime],
    read: Read,
    history: History,
    find: Find = find_events,
) -> tuple[BaghouseDay, Events]:
    """Study one day, or a part of it.

    Args:
        span: begin and end as UTC instants.
        history: as of `BaghouseDay`.
        find: what finds the events.
    """
    start, end = span
    conditioned, minutes, events = _events(baghouse, span, read, find)
    signals = conditioned.signals
    gas = gas_seconds(baghouse, signals, (end - start).total_seconds())
    starts = find_starts(gas, minutes, events.pulses["time_s"].to_numpy())
    dust = day_dust(baghouse, signals, gas, events)
    studied = BaghouseDay(
        day=day,
        start=start,
        end=end,
        baghouse=baghouse,
        signals=signals,
        health=conditioned.health,
        minutes=minutes,
        pulses=events.pulses,
        cycles=events.cycles,
        facts=daily_facts(baghouse, signals, minutes, events, gas, starts, conditioned.flat, dust),
        history=history,
        hours=events.refills.drop_nulls("hour"),
        fires_known=events.fires_known,
        inferred=events.inferred,
        stacks=events.stacks,
        starts=starts,
        puffs=pl.DataFrame(schema=PUFF_COLUMNS) if dust.puffs is None else dust.puffs.table(),
    )
    return studied, events


def _over_days(
    studied: BaghouseDay, first: datetime, n_days: int, places: Sequence[Place], read: Read
) -> BaghouseDay:
    """Return the day with what is known of some rows from all pulses since an earlier instant.

    The same day where those days together make no stack.
    """
    _, _, events = _events(studied.baghouse, (first, studied.end), read, find_events)
    if events.curves.is_empty():
        return studied
    before_s = (studied.start - first).total_seconds()
    of_rows = row_facts(studied.baghouse, events)
    stacks = studied.stacks.filter(~is_of(places)), events.stacks.filter(is_of(places))
    return replace(
        studied,
        facts=with_more_days(studied.facts, of_rows, n_days, before_s, places),
        stacks=pl.concat(stacks).sort("compartment", "row", "since_s"),
    )


def _events(
    baghouse: Baghouse, span: tuple[datetime, datetime], read: Read, find: Find
) -> tuple[Conditioned, pl.DataFrame, Events]:
    start, end = span
    conditioned = condition(baghouse, start, end, *read(start, end))
    seconds = (end - start).total_seconds()
    minutes = minute_table(baghouse, conditioned.signals, seconds)
    return conditioned, minutes, find(baghouse, conditioned.signals, minutes, seconds)
