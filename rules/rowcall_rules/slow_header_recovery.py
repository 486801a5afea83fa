"""The header refills slowly after a pulse: told apart by row, by compartment, and by supply.

Why: the next row can only be cleaned well when the header is back near its set pressure. One slow
row is that row's valve, passing after it should have closed. One slow compartment is its own feed:
regulator, filter, isolation valve, drain full of water. All compartments in the same hours is the
plant air: compressor, dryer, other users. Looks like, but is not: an interval too short for a sound
recovery, which shows as pulses not made good before the next at a usual recovery constant.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from datetime import timedelta

import numpy as np
import polars as pl

from rowcall import trade
from rowcall.diagnosis.header_hours import (
    HeaderHours,
    SlowWhen,
    common_hours,
    header_hours,
    pulse_interval,
    shared_words,
    spell_hours,
    supply_words,
)
from rowcall.events.headers.recovery import T95
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Fact,
    FactBook,
    Limits,
    Need,
    Quantity,
    Rule,
    Subject,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.site import Role
from rowcall.units import Dimension, show

_ALL = (Role.HEADER_PRESSURE, 0, 0)  # one header for all compartments


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse (supply), each compartment and each row; reads facts tau_s*."""
    day, limits = context.day, context.limits
    facts = context.facts
    rule = SlowWhen(
        ratio=limits["slow_ratio"],
        max_tau_s=limits["max_recovery"] / T95,
        history_days=limits["history_days"],
        pulses_an_hour=limits["min_pulses_hour"],
    )
    headers = {
        compartment: header
        for compartment in range(1, day.baghouse.compartments + 1)
        if (header := header_hours(context, compartment, rule)) is not None
    }
    can_compare = len(headers) == day.baghouse.compartments > 1 and _ALL not in day.signals
    supply = common_hours(headers, day.baghouse.compartments) if can_compare else frozenset()
    if len(supply) >= limits["slow_hours"]:
        yield _supply_found(day, headers, supply)
    else:
        supply = frozenset()
        yield _supply_clear(day, can_compare)
    for compartment in range(1, day.baghouse.compartments + 1):
        others = [h.slow_hours for c, h in headers.items() if c != compartment]
        shared = frozenset.union(frozenset(), *others) if can_compare else None
        header = headers.get(compartment)
        yield _judge_compartment(day, compartment, header, supply, shared, limits)
    yield from _judge_rows(day, facts, limits)


def _supply_found(
    day: BaghouseDay, headers: Mapping[int, HeaderHours], hours: frozenset[int]
) -> Answer:
    taus = ", ".join(
        f"compartment {h.compartment}: {show(h.tau_in(hours), 's', 1)}{h.against_usual}"
        for h in headers.values()
    )
    return Answer(
        subject=Subject(day.baghouse.id),
        verdict=Verdict.FOUND,
        urgency=Urgency.NOW,
        start=day.start + timedelta(hours=min(hours)),
        end=min(day.end, day.start + timedelta(hours=max(hours) + 1)),
        values=(
            Quantity("slow_hours", float(len(hours)), "h"),
            *(
                Quantity(f"tau_s_compartment_{h.compartment}", h.tau_in(hours), "s")
                for h in headers.values()
            ),
        ),
        text="All compartments refill slowly in the same hours "
        f"({spell_hours(hours)} after the day began): recovery constant {taus}."
        f"{supply_words(day, hours)}",
        action="Plant air is short in these hours: compressor load, dryer, filter before the "
        "headers, other users on the line.",
    )


def _supply_clear(day: BaghouseDay, can_compare: bool) -> Answer:
    subject = Subject(day.baghouse.id)
    if not can_compare:
        return Answer.cannot_tell(
            subject,
            "the plant's supply and a compartment's own feed are told apart only where two or more "
            "compartments can all be heard, each on a header of its own",
        )
    return Answer.clear(subject, "No hours in which all compartments refill slowly together.")


def _judge_compartment(
    day: BaghouseDay,
    compartment: int,
    header: HeaderHours | None,
    supply: frozenset[int],
    shared: frozenset[int] | None,
    limits: Limits,
) -> Answer:
    subject = Subject(day.baghouse.id, compartment)
    if header is None or header.n_hours == 0:
        return Answer.cannot_tell(subject, "too few pulses whose refill could be followed")
    usual = () if header.usual_s is None else (Quantity("usual_tau_s", header.usual_s, "s"),)
    values = (
        Quantity("tau_s", header.tau_s, "s"),
        Quantity("t95_s", T95 * header.tau_s, "s"),
        *usual,
        Quantity("slow_hours", float(len(header.slow_hours)), "h"),
    )
    own = header.slow_hours - supply
    if len(own) >= limits["slow_hours"]:
        tau = header.tau_in(own)
        return Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            urgency=Urgency.NOW
            if T95 * tau > pulse_interval(day.pulses, compartment)
            else Urgency.NEXT_OUTAGE,
            start=day.start + timedelta(hours=min(own)),
            end=min(day.end, day.start + timedelta(hours=max(own) + 1)),
            values=values,
            text=f"Refills slowly in {len(own)} of {header.n_hours} hours: recovery constant "
            f"{show(tau, 's', 1)}{header.against_usual}, 95 % made good in "
            f"{show(T95 * tau, 's', 1)}; {shared_words(own, shared)}.",
            action="Its own feed: drain the header, read the regulator, check filter, isolation "
            "valve and line size.",
        )
    seen = f"recovery constant {show(header.tau_s, 's', 1)}{header.against_usual}"
    if header.slow_hours:
        seen += "; its slow hours are the supply's, see there"
    return Answer.clear(subject, f"Usual: {seen}.", values)


def _judge_rows(day: BaghouseDay, facts: FactBook, limits: Limits) -> Iterator[Answer]:
    counted = (
        day.pulses.filter(pl.col("tau_s").is_not_null() & (pl.col("confidence") >= 0.5))
        .drop_nulls("row")
        .group_by("compartment", "row")
        .len()
    )
    heard = {(c, r): n for c, r, n in counted.iter_rows()}
    for compartment, n_rows in enumerate(day.baghouse.rows, start=1):
        rows = range(1, n_rows + 1)
        taus = {r: t for r in rows if math.isfinite(t := facts.of(Fact.TAU_S, compartment, r))}
        peers = float(np.median(list(taus.values()))) if taus else float("nan")
        for row in rows:
            subject = Subject(day.baghouse.id, compartment, row)
            n = heard.get((compartment, row), 0)
            if n < limits["min_pulses_row"] or row not in taus:
                why = f"only {n} pulses whose refill could be followed"
                yield Answer.cannot_tell(subject, why)
            else:
                yield _judge_row(day, subject, taus[row], peers, limits)


def _judge_row(
    day: BaghouseDay, subject: Subject, tau: float, peers: float, limits: Limits
) -> Answer:
    ratio = tau / peers
    values = (
        Quantity("tau_s", tau, "s"),
        Quantity("peers_tau_s", peers, "s"),
        Quantity("tau_ratio", ratio, "1"),
    )
    seen = f"recovery constant {show(tau, 's', 1)}, its peers' {show(peers, 's', 1)}"
    if ratio < limits["row_ratio"]:
        return Answer.clear(subject, f"As its peers: {seen}.", values)
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        start=day.start,
        end=day.end,
        values=values,
        text=f"The header refills slowly after this row alone: {seen}. Its valve passes air "
        "after it should have closed.",
        action="Isolated and bled: seat, spring and both diaphragms of this row's valve; listen "
        "for air in its blowpipe between pulses.",
    )


RULE = Rule(
    name="slow_header_recovery",
    title="Header refills slowly",
    chapter=Chapter.AIR,
    looks_for="A recovery constant well above what is usual, of one row, one compartment or all.",
    needs=(Need(any_of=(Role.HEADER_PRESSURE,), purpose="to follow the refill"),),
    thresholds=(
        Threshold(
            "slow_ratio", "1.5", Dimension.RATIO, "tau as a multiple of the usual one", "chosen"
        ),
        Threshold(
            "row_ratio", "1.5", Dimension.RATIO, "a row's tau as a multiple of its peers'", "chosen"
        ),
        Threshold(
            "max_recovery",
            trade.RECOVERY_LONGEST.text,
            Dimension.TIME,
            trade.RECOVERY_LONGEST.meaning,
            trade.RECOVERY_LONGEST.source,
        ),
        Threshold("slow_hours", "2", Dimension.RATIO, "slow hours of the day that count", "chosen"),
        Threshold("history_days", "3", Dimension.RATIO, "days that make the usual tau", "chosen"),
        Threshold("min_pulses_hour", "5", Dimension.RATIO, "pulses that make an hour", "chosen"),
        Threshold("min_pulses_row", "20", Dimension.RATIO, "pulses before a row's word", "chosen"),
    ),
    check_first=(
        "one row: its valve (seat, spring, diaphragms)",
        "one compartment: drain, regulator, filter, isolation valve",
        "all compartments: compressor, dryer, other users",
    ),
    confused_with="an interval too short for a sound recovery; a drawn-out row",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
    references=("recovery to 95 % takes 3.0 tau: first-order fill", "common practice, no source"),
    judge=judge,
)
