"""The header refills slowly after a pulse: one row, one compartment, or the supply of all.

Why: the next row can only be cleaned well when the header is back near its set pressure. One slow
row is that row's valve, which leaks by. One slow compartment is its own feed:
regulator, filter, isolation valve, drain full of water. All compartments in the same hours is the
plant air: compressor, dryer, other users. Rule out: an interval too short for a sound
recovery, which shows as pulses not recovered before the next at a usual recovery constant.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from rowcall import trade
from rowcall.diagnosis.header_hours import (
    HeaderHours,
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
    Caution,
    Chapter,
    Context,
    Fact,
    Need,
    Quantity,
    Rule,
    Subject,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, show

_ALL = (Role.HEADER_PRESSURE, 0, 0)  # one header for all compartments
_MIN_CONFIDENCE = 0.5  # chosen: a fit with a standard error of 50 % or more says little
Headers = Mapping[int, HeaderHours]


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse (supply), each compartment and each row, by recovery constants."""
    n = context.day.baghouse.compartments
    known = ((c, header_hours(context, c)) for c in range(1, n + 1))
    headers = {c: header for c, header in known if header is not None}
    can_compare = len(headers) == n > 1 and _ALL not in context.day.signals
    supply = common_hours(headers, n) if can_compare else frozenset[int]()
    if len(supply) >= context.limits["slow_hours"]:
        yield _supply_found(context, headers, supply)
    else:
        supply = frozenset()
        yield _supply_clear(context.subject(), can_compare)
    for compartment in range(1, n + 1):
        others = [h.slow_hours for c, h in headers.items() if c != compartment]
        shared = frozenset[int]().union(*others) if can_compare else None
        yield _judge_compartment(
            context, context.subject(compartment), headers.get(compartment), supply, shared
        )
    yield from _judge_rows(context)


def _supply_found(context: Context, headers: Headers, hours: frozenset[int]) -> Answer:
    taus = ", ".join(
        f"compartment {h.compartment}: {show(h.tau_in(hours), 's', 1)}{h.against_usual}"
        for h in headers.values()
    )
    of_each = (
        Quantity(f"tau_s_compartment_{h.compartment}", h.tau_in(hours), "s")
        for h in headers.values()
    )
    return context.found(
        context.subject(),
        Urgency.NOW,
        f"All compartments refill slowly in the same hours ({spell_hours(context.day, hours)}): "
        f"recovery constant {taus}.{supply_words(context.day, hours)}",
        _SUPPLY_WORK,
        (Quantity("slow_hours", float(len(hours)), "h"), *of_each),
        start=context.at(3600.0 * min(hours)),
        end=context.at(3600.0 * (max(hours) + 1)),
    )


def _supply_clear(subject: Subject, can_compare: bool) -> Answer:
    if can_compare:
        text = "No hours in which all compartments refill slowly together."
        return Answer.clear(subject, text)
    return Answer.cannot_tell(
        subject,
        "the plant's supply and a compartment's own feed can be separated only where two or more "
        "compartments can be observed, each on a header of its own",
    )


def _judge_compartment(
    context: Context,
    subject: Subject,
    header: HeaderHours | None,
    supply: frozenset[int],
    shared: frozenset[int] | None,
) -> Answer:
    if header is None or header.n_hours == 0:
        return Answer.cannot_tell(subject, "too few pulses whose refill could be followed")
    own = header.slow_hours - supply
    if len(own) < context.limits["slow_hours"]:
        seen = f"recovery constant {show(header.tau_s, 's', 1)}{header.against_usual}"
        if header.slow_hours:
            seen += "; its slow hours are the supply's, see there"
        return Answer.clear(subject, f"Usual: {seen}.", _values(header))
    tau = header.tau_in(own)
    is_short = T95 * tau > pulse_interval(context.day.pulses, subject.compartment)
    return context.found(
        subject,
        Urgency.NOW if is_short else Urgency.NEXT_OUTAGE,
        f"Refills slowly in {len(own)} of {header.n_hours} hours: recovery constant "
        f"{show(tau, 's', 1)}{header.against_usual}, 95 % recovered in "
        f"{show(T95 * tau, 's', 1)}; {shared_words(own, shared)}.",
        _FEED_WORK,
        _values(header),
        start=context.at(3600.0 * min(own)),
        end=context.at(3600.0 * (max(own) + 1)),
    )


def _values(header: HeaderHours) -> Iterator[Quantity]:
    yield Quantity("tau_s", header.tau_s, "s")
    yield Quantity("t95_s", T95 * header.tau_s, "s")
    if header.usual_s is not None:
        yield Quantity("usual_tau_s", header.usual_s, "s")
    yield Quantity("slow_hours", float(len(header.slow_hours)), "h")


def _judge_rows(context: Context) -> Iterator[Answer]:
    followed = _pulses_followed(context.day.pulses)
    for compartment, n_rows in enumerate(context.day.baghouse.rows, start=1):
        rows = range(1, n_rows + 1)
        taus = {row: context.facts.of(Fact.TAU_S, compartment, row) for row in rows}
        known = [tau for tau in taus.values() if math.isfinite(tau)]
        peers = float(np.median(known)) if known else math.nan
        for row, tau in taus.items():
            subject = context.subject(compartment, row)
            n = followed.get((compartment, row), 0)
            if n < context.limits["min_pulses_row"] or math.isnan(tau):
                why = f"only {n:,} pulses whose refill could be followed"
                yield Answer.cannot_tell(subject, why)
            else:
                yield _judge_row(context, subject, tau, peers)


def _pulses_followed(pulses: pl.DataFrame) -> Mapping[tuple[int, int], int]:
    """Return by (compartment, row) how many refills were fitted well enough."""
    is_followed = pl.col("tau_s").is_not_null() & (pl.col("confidence") >= _MIN_CONFIDENCE)
    counted = pulses.filter(is_followed).drop_nulls("row").group_by("compartment", "row").len()
    return {(c, r): n for c, r, n in counted.iter_rows()}


def _judge_row(context: Context, subject: Subject, tau: float, peers: float) -> Answer:
    ratio = tau / peers
    values = (
        Quantity("tau_s", tau, "s"),
        Quantity("peers_tau_s", peers, "s"),
        Quantity("tau_ratio", ratio, "1"),
    )
    seen = f"recovery constant {show(tau, 's', 1)}, its peers' {show(peers, 's', 1)}"
    if ratio < context.limits["row_ratio"]:
        return Answer.clear(subject, f"As its peers: {seen}.", values)
    text = f"The header refills slowly after this row alone: {seen}. Its valve leaks by."
    return context.found(subject, Urgency.NEXT_OUTAGE, text, _VALVE_WORK, values)


_SUPPLY_WORK = work(
    outside="Plant air is short in these hours: compressor load, dryer, other users on the line, "
    "and the gauges before and after the filter ahead of the headers."
)
_FEED_WORK = work(
    outside="Its own feed: read the regulator's gauge and the pressure ahead of it; does the "
    "position of the isolation valve look right?",
    isolated="drain of the header, filter, regulator, line size.",
)
_VALVE_WORK = work(
    outside="Stand clear and listen for air at this row's valve between pulses.",
    isolated="seat, spring and both diaphragms of this row's valve.",
)

RULE = Rule(
    name="slow_header_recovery",
    title="Header refills slowly",
    chapter=Chapter.AIR,
    looks_for="A recovery constant well above what is usual, of one row, one compartment or all.",
    needs=(
        Need(
            any_of=(Role.HEADER_PRESSURE,),
            purpose="to follow the refill",
            max_step_s=3600.0,  # chosen: of fewer points a day none shows a refill
        ),
    ),
    thresholds=(
        limit(
            "slow_ratio",
            "1.5",
            "recovery constant as a multiple of the usual one",
            chosen="healthy headers vary by less than a fifth from day to day",
        ),
        limit(
            "row_ratio",
            "1.5",
            "a row's recovery constant as a multiple of its peers'",
            chosen="rows of one header share its feed and differ by a few per cent",
        ),
        limit(
            "max_recovery",
            trade.RECOVERY_LONGEST.text,
            trade.RECOVERY_LONGEST.meaning,
            source=trade.RECOVERY_LONGEST.source,
            dimension=Dimension.TIME,
        ),
        limit(
            "slow_hours",
            "2",
            "slow hours of the day that count",
            chosen="one hour may be a single event",
        ),
        limit(
            "history_days",
            "3",
            "days that make the usual recovery constant",
            chosen="fewer may all be days of a slow supply",
        ),
        limit(
            "min_pulses_hour",
            "5",
            "pulses that make an hour",
            chosen="the median of fewer is noisy",
        ),
        limit(
            "min_pulses_row",
            "20",
            "pulses of a row before it is judged",
            chosen="the median of fewer is noisy",
        ),
    ),
    check_first=(
        "all compartments: compressor, dryer, other users",
        "one compartment: gauges before and after the regulator, isolation valve",
        "one row: air heard at its valve between pulses, standing clear",
        "isolated and bled: drain, filter, regulator; seat, spring and diaphragms of the row",
    ),
    confused_with="an interval too short for a sound recovery; a row that closes late",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
    references=("recovery to 95 % takes 3.0 tau: first-order fill", "common practice, no source"),
    judge=judge,
)
