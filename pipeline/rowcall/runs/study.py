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
from rowcall.guard import STUDY, Failure, Guard
from rowcall.model import PUFF_COLUMNS, BaghouseDay, History, Subject
from rowcall.runs.parallel.sharing import sharing
from rowcall.site import Baghouse, Sample
from rowcall.store import Store
from rowcall.store.samples import TagSamples, last_before, read_samples
from rowcall.units import Units


class Kept(NamedTuple):
    """Samples of a span by tag, and the last one before it of the tags that hold their value."""

    samples: Mapping[str, TagSamples]
    before: Mapping[str, tuple[int, float, int]]


Read = Callable[[datetime, datetime], Kept]
Find = Callable[[Baghouse, Signals, pl.DataFrame, float], Events]


def reader(store: Store, baghouse: Baghouse) -> Read:
    """Return what reads the samples of a baghouse, as the site file has it on a day."""
    names = [tag.tag for tag in baghouse.tag]
    held = [tag.tag for tag in baghouse.tag if tag.sample is not Sample.AT_INTERVALS]
    within = timedelta(seconds=LONGEST_STEP_S)

    def read(start: datetime, end: datetime) -> Kept:
        before = last_before(store, held, start, within=within) if held else {}
        samples = read_samples(store, names, start, end)
        return Kept(sharing(samples, "time_us", "quality"), before)

    return read


def study_alone(
    guard: Guard, baghouse: Baghouse, span: tuple[datetime, datetime], kept: Kept
) -> tuple[BaghouseDay, list[Failure]]:
    """Study the day of the guard with nothing but its own samples; it may run in any process.

    Returns why it failed as `BaghouseDay.failed`, and for the record.
    """
    studied = guard.run(
        baghouse.id,
        STUDY,
        lambda: study_span(baghouse, guard.day, span, kept)[0],
        lambda why: BaghouseDay.unstudied(baghouse, guard.day, span, History(), why),
    )
    return replace(studied, signals=sharing(studied.signals, "time_s")), guard.failures


def with_past(
    studied: BaghouseDay, history: History, read: Read, zone: ZoneInfo, units: Units
) -> BaghouseDay:
    """Return a day of a plant with its past: rows together with days before, where they need it."""
    if studied.failed:
        return replace(studied, history=history)
    studied = replace(studied, history=history, zone=zone, units=units)
    day, baghouse = studied.day, studied.baghouse
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
    kept: Kept,
    find: Find = find_events,
) -> tuple[BaghouseDay, Events]:
    """Study one day, or a part of it, without its past.

    Args:
        span: begin and end as UTC instants.
        kept: the samples between them.
        find: what finds the events.
    """
    start, end = span
    conditioned, minutes, events = _events(baghouse, span, kept, find)
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
    span = first, studied.end
    _, _, events = _events(studied.baghouse, span, read(*span), find_events)
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
    baghouse: Baghouse, span: tuple[datetime, datetime], kept: Kept, find: Find
) -> tuple[Conditioned, pl.DataFrame, Events]:
    start, end = span
    conditioned = condition(baghouse, start, end, *kept)
    seconds = (end - start).total_seconds()
    minutes = minute_table(baghouse, conditioned.signals, seconds)
    return conditioned, minutes, find(baghouse, conditioned.signals, minutes, seconds)
