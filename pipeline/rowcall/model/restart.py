"""Which facts of earlier days each kind of work makes numbers of something else.

They are left out of a history: what is usual, and every trend, begins anew after the day of the
work, which itself mixes before and after. Verdicts stay.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache, partial

import polars as pl

from rowcall.model.fact import Fact, History, Level
from rowcall.site import Baghouse
from rowcall.site.subject import Subject
from rowcall.work_log.work import Work, WorkEntry, WorkLog

# Chosen: new cloth of a tenth of the rows, with half the drag of the old, lowers residual DP by
# 9 %, about the rise that matters; what fewer rows lower lies within the noise of days.
_MIN_SHARE = 0.1
_TOGETHER = timedelta(days=7)  # chosen: an outage in which bags are changed row by row

DP_FACTS = (
    Fact.RESIDUAL_DP_PA,
    Fact.RESIDUAL_DP_PER_FLOW,
    Fact.RESIDUAL_DRAG,
    Fact.PEAK_DP_PA,
    Fact.CYCLE_TIME_S,
    Fact.N_CYCLES,
    Fact.N_PULSES,
    Fact.DP_CHANGED_S,
    Fact.DP_JUMP,
    Fact.DP_FALL_PA,
    Fact.DP_FALL_ERROR_PA,
    Fact.CLEAN_DP_PER_FLOW,
    Fact.DP_PER_FLOW_GROWTH,
    Fact.CAKE_PER_PULSE_PA,
    Fact.DRAG_FELL_S,
    Fact.DRAG_FALL,
    Fact.DRAG_FALL_ERROR,
    Fact.DRAG_ROSE_S,
    Fact.DRAG_RISE,
)
_REFILL = (
    Fact.PLATEAU_PA,
    Fact.PLATEAU_SCATTER,
    Fact.TAU_S,
    Fact.RECOVERY_S,
    Fact.RECOVERY_LOG_ERROR,
    Fact.REFILL_DROP_PA,
    Fact.SHORTFALL_PA,
    Fact.CYCLE_LOSS_PA,
    Fact.CYCLE_LOSS_SHARE,
    Fact.BEFORE_PA,
    Fact.DROP_PA,
    Fact.FREE_AIR_M3,
    Fact.FREE_AIR_DAY_M3,
    Fact.IDLE_PA,
)
_DECAY = (
    Fact.DECAY_TAU_S,
    Fact.DECAY_PA_S,
    Fact.DECAY_M3_S,
    Fact.DECAY_START_S,
    Fact.DECAY_END_S,
    Fact.DECAY_SUPPLY_HELD,
)
_LOSS = (*_DECAY, Fact.SUPPLY_PRESSURE_PA)
HEADER_FACTS = (*_REFILL, *_DECAY, Fact.DROP_RATIO)
_RHYTHM = (Fact.INTERVAL_S, Fact.ROW_INTERVAL_S, Fact.PULSE_LENGTH_S)
_DUST = (
    Fact.DUST_BASE,
    Fact.DUST_BASE_ERROR,
    Fact.OPACITY_BASE,
    Fact.OPACITY_BASE_ERROR,
    Fact.PUFF,
)
_ROWS = tuple(fact for fact in Fact if Level.ROW in fact.value.levels)


@dataclass(frozen=True, slots=True)
class Restart:
    """What a kind of work moves, and what was done, in words; `of_rows`: facts of rows only."""

    words: str
    facts: tuple[Fact, ...]
    of_rows: bool = False


RESTARTS: Mapping[Work, Restart] = {
    Work.BAGS_CHANGED: Restart(
        "bags were changed", (*DP_FACTS, *_DUST, Fact.HEAT_DOSE, Fact.HEAT_AGE_H)
    ),
    Work.DIAPHRAGMS_RENEWED: Restart("diaphragms were renewed", _ROWS, of_rows=True),
    Work.SOLENOID_RENEWED: Restart("the solenoid was renewed", _ROWS, of_rows=True),
    Work.CONTROLLER_MENDED: Restart("the controller was mended", _ROWS, of_rows=True),
    Work.AIR_MENDED: Restart("the air supply was mended", (*_REFILL, *_LOSS)),
    # The log does not say which set point: all that any of DP, interval, pulse length or pulse
    # pressure moves. Ratios between rows, clocks and losses at rest stay.
    Work.SET_POINT_CHANGED: Restart("a set point was changed", (*DP_FACTS, *_REFILL, *_RHYTHM)),
}


def since_work(history: History, work: WorkLog, day: date, baghouse: Baghouse) -> History:
    """Return a history without the facts that work up to a day, that day included, has moved.

    Facts of what was off on purpose are left out too, of the days on which it was.
    """
    first = min(history.facts["day"].unique(), default=date.max)
    restarts = tuple(_restarting(work, first, day, baghouse))
    # The last of a kind at a place moves all that those before it do; a log may have thousands.
    last_ones = {(entry.work, entry.subject): entry for entry in restarts}
    places = history.facts.select("compartment", "row").unique().iter_rows() if work.entries else ()
    off = (
        _at(place) & pl.col("day").is_between(begin, last)
        for place in places
        for begin, last in _off(work, Subject(baghouse.id, *place))
        if last >= first
    )
    is_cut = pl.any_horizontal(pl.lit(value=False), *map(_moved, last_ones.values()), *off)
    facts, cut = history.facts.filter(~is_cut), history.facts.filter(is_cut)
    return replace(history, facts=facts, cut=cut, restarts=restarts)


def since_words(history: History, fact: Fact, subject: Subject) -> str:
    """Return since what work a fact is counted: ` since bags were changed on 12 Mar`, or ''.

    Of work before the first day with facts nothing is counted.
    """
    days = pl.concat((history.facts["day"], history.cut["day"]))
    moved = [
        entry
        for entry in history.restarts
        if fact in RESTARTS[entry.work].facts
        and entry.touches(subject)
        and (days <= entry.day).any()
    ]
    return f" since {RESTARTS[moved[-1].work].words} on {moved[-1].date}" if moved else ""


def _restarting(work: WorkLog, first: date, last: date, baghouse: Baghouse) -> Iterator[WorkEntry]:
    new_share = cache(partial(_new_share, work, baghouse=baghouse))
    for entry in work.of(*RESTARTS):
        is_here = entry.touches(Subject(baghouse.id)) and first <= entry.day <= last
        is_bags = entry.work is Work.BAGS_CHANGED
        if is_here and not (is_bags and new_share(entry.day) < _MIN_SHARE):
            yield entry


def _new_share(work: WorkLog, day: date, baghouse: Baghouse) -> float:
    """Return the share of the rows that got new bags in the week up to a day."""
    changed = [
        entry
        for entry in work.of(Work.BAGS_CHANGED)
        if not entry.position and day - _TOGETHER < entry.day <= day
    ]
    rows = [Subject(baghouse.id, *place) for place in baghouse.all_rows()]
    return sum(any(entry.covers(row) for entry in changed) for row in rows) / len(rows)


def _moved(entry: WorkEntry) -> pl.Expr:
    """Facts of days up to that of a work, where any part of their place was worked on."""
    restart, own = RESTARTS[entry.work], entry.subject
    compartment, row = pl.col("compartment"), pl.col("row")
    moved = pl.col("day").le(entry.day) & pl.col("name").is_in([f.column for f in restart.facts])
    if restart.of_rows:
        moved &= row > 0
    if own.compartment:
        moved &= compartment.is_in([0, own.compartment])
    return moved & row.is_in([0, own.row]) if own.row else moved


def _at(place: tuple[int, int]) -> pl.Expr:
    return pl.col("compartment").eq(place[0]) & pl.col("row").eq(place[1])


def _off(work: WorkLog, subject: Subject) -> Iterator[tuple[date, date]]:
    """Yield the first and last day of each time that a subject was off on purpose."""
    first: date | None = None
    for entry in work.of(Work.OFF, Work.ON):
        if entry.covers(subject):
            if entry.work is Work.OFF:
                first = first or entry.day
            elif first:
                yield first, entry.day
                first = None
    if first:
        yield first, date.max
