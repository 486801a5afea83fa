"""The header refills slowly after a pulse: one row, or one header with all its rows.

Why: the next row can only be cleaned well when the header is back near its set pressure. One slow
row is that row's valve, which leaks by. One slow header is its own feed: regulator, filter,
isolation valve, drain full of water. What all headers do in the same hours is the supply's
(`supply_short`), and is taken out hour by hour; what remains is the header's own. Rule out: an
interval too short for a sound recovery, which shows as pulses not recovered before the next at a
usual recovery.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
import polars as pl

from rowcall import trade
from rowcall.diagnosis.header_hours import (
    SURE,
    Change,
    HeaderHours,
    Hours,
    middle,
    span_of,
    spell_hours,
)
from rowcall.diagnosis.headers import needs_header, recovered_in
from rowcall.diagnosis.row_rules import row_recoveries
from rowcall.diagnosis.shared_change import Parts
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Quantity,
    Rule,
    Subject,
    Urgency,
    limit,
    work,
)
from rowcall.units import Dimension, percent, show

_MIN_CONFIDENCE = 0.5  # chosen: a fit with a standard error of 50 % or more says little
_AS_USUAL = (
    1.25  # times the usual time to recover; chosen: healthy headers vary by less than a fifth
)


def judge(context: Context) -> Iterator[Answer]:
    """Answer for each header and each row, by the time to recover."""
    headers, limits = HeaderHours(context), context.limits
    change = headers.slower(limits["history_days"])
    bound = math.log(limits["slow_ratio"])
    parts, of_day = change.parts(bound), change.over_the_day().parts(bound)
    for n in range(len(headers.headers)):
        is_slow_all_day = bool(change.by_history[n] and of_day.p_own[n, 0] >= SURE)
        yield _judge_header(headers, change, parts, n, is_slow_all_day)
    yield from _judge_rows(context)


def _judge_header(
    headers: HeaderHours, change: Change, parts: Parts, n: int, is_slow_all_day: bool
) -> Answer:
    context = headers.context
    limits, subject = context.limits, context.subject(headers.headers[n])
    known = np.isfinite(change.log[n])
    if not known.any():
        why = "too few pulses whose refill could be followed"
        return Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
    alone = len(headers.headers) == 1
    own = change.beyond(math.log(limits["slow_ratio"]))[0] if alone else parts.p_own[n] >= SURE
    if not change.by_history[n]:
        own |= _longer_than_usual(headers, n)
    if is_slow_all_day and not alone and limits["slow_hours"] > own.sum():
        own = known
    values = _values(headers, change, n, own if own.any() else known)
    if own.sum() < limits["slow_hours"]:
        usual = f" (usually {show(change.usual[n], 's', 1)})"
        if not change.by_history[n]:
            usual = " (too few days yet to say what is usual)"
        seen = f"63 % of a drop recovered in {show(middle(change.value[n], known), 's', 1)}{usual}"
        if (parts.p_shared >= SURE).any() and not alone:
            seen += "; slow in some hours together with the other headers, see plant air"
        longer = f"Not {limits['slow_ratio']:g} times the usual time for sure"
        is_as_usual = middle(change.log[n], known) < math.log(_AS_USUAL)
        return Answer.clear(subject, f"{'As usual' if is_as_usual else longer}: {seen}.", values)
    return _found(headers, change, parts, n, own)


def _longer_than_usual(headers: HeaderHours, n: int) -> Hours:
    """Hours longer than any usual refill and than the other headers', and short of full by much.

    For the first days of a header; then its own past says what is usual, and `short_interval` what
    it is usually short of.
    """
    limits, recovery = headers.context.limits, headers.table("recovery_s")
    share = headers.table("left_pa") / headers.table("drop_pa")
    others = np.delete(recovery, n, axis=0)
    if not np.isfinite(others).any():
        return np.zeros(headers.n_hours, np.bool_)
    peers = float(np.nanmedian(others))
    is_long = recovery[n] > max(limits["max_recovery"], limits["peer_ratio"] * peers)
    return np.asarray(is_long & (share[n] > limits["short_of_drop"]))


def _found(headers: HeaderHours, change: Change, parts: Parts, n: int, own: Hours) -> Answer:
    context, table = headers.context, headers.table
    t95, error, left, drop, plateau = (
        middle(table(name)[n], own)
        for name in ("recovery_s", "recovery_log_error", "left_pa", "drop_pa", "plateau_pa")
    )
    usual = f" (usually {show(change.usual[n], 's', 1)})" if change.by_history[n] else ""
    text = (
        f"Refills slowly in {own.sum()} of {np.isfinite(change.log[n]).sum()} hours "
        f"({spell_hours(context.day, own)}): 63 % of a drop recovered in "
        f"{show(middle(change.value[n], own), 's', 1)}{usual}"
    )
    if math.isfinite(t95):
        interval = context.facts.of(Fact.INTERVAL_S, headers.headers[n])
        text += (
            f", 95 % {recovered_in(t95, error, interval)}; when the next row is pulsed, about "
            f"{context.units.pressure.show(left)} ({percent(left / drop)} of the drop) are missing"
        )
    is_late = left > context.limits["short_of_full"] * plateau
    start, end = span_of(context, own)
    return context.found(
        context.subject(headers.headers[n]),
        Urgency.NOW if is_late else Urgency.NEXT_OUTAGE,
        f"{text}; {_shared_words(parts, own, len(headers.headers))}.",
        _FEED_WORK,
        _values(headers, change, n, own),
        start=start,
        end=end,
    )


def _shared_words(parts: Parts, own: Hours, n_headers: int) -> str:
    if n_headers == 1:
        return "whether its own feed or the plant's supply, one header cannot show"
    shared = int((own & (parts.p_shared >= SURE)).sum())
    if shared:
        return f"in {shared} of these hours the others are slow too, but less"
    return "the other headers do not share it"


def _values(headers: HeaderHours, change: Change, n: int, hours: Hours) -> Iterator[Quantity]:
    yield Quantity("tau_s", middle(change.value[n], hours), "s")
    for name, column, unit in (
        ("t95_s", "recovery_s", "s"),
        ("t95_log_error", "recovery_log_error", "1"),
        ("shortfall_pa", "left_pa", "Pa"),
    ):
        value = middle(headers.table(column)[n], hours)
        if math.isfinite(value):
            yield Quantity(name, value, unit)
    if change.by_history[n]:
        yield Quantity("usual_tau_s", change.usual[n], "s")
    yield Quantity("slow_hours", float(hours.sum()), "h")


def _judge_rows(context: Context) -> Iterator[Answer]:
    followed = _pulses_followed(context.day.pulses)
    for compartment in range(1, context.day.baghouse.compartments + 1):
        taus, peers = row_recoveries(context, compartment)
        for row, tau in taus.items():
            subject = context.subject(compartment, row)
            n = followed.get((compartment, row), 0)
            if n < context.limits["min_pulses_row"] or math.isnan(tau):
                why = f"only {n:,} pulses whose refill could be followed"
                yield Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
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
    if ratio < context.limits["peer_ratio"] and _is_cut_short(context, subject.compartment):
        why = f"{seen}, but the next pulse comes before a refill has ended, so both are uncertain"
        return Answer.cannot_tell(subject, why, Lack.NOTHING, values=values)
    text = f"The header refills slowly after this row alone: {seen}. Its valve leaks by."
    return context.found(subject, Urgency.NEXT_OUTAGE, text, _VALVE_WORK, values)


def _is_cut_short(context: Context, compartment: int) -> bool:
    """Return whether a header is pulsed before it has recovered 95 % of a drop."""
    recovery, interval = (
        context.facts.get((fact, compartment, 0), context.facts.of(fact))
        for fact in (Fact.RECOVERY_S, Fact.INTERVAL_S)
    )
    return recovery > interval


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
    looks_for="A time to recover well above what is usual, of one row or of one header.",
    needs=(needs_header("to follow the refill"),),
    thresholds=(
        limit(
            "slow_ratio",
            "1.5",
            "time to recover as a multiple of the usual one",
            chosen="healthy headers vary by less than a fifth from day to day",
        ),
        limit(
            "peer_ratio",
            "2.5",
            "time to recover as a multiple of the other headers', while the usual one is not known",
            chosen="by trial: headers that take the interval to recover 80 to 95 % differ twofold",
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
            "short_of_drop",
            "20 %",
            "of the drop missing when the next row is pulsed, for a long recovery alone to count",
            chosen="a header that is back in time does no harm, however long it takes",
        ),
        limit(
            "short_of_full",
            "10 %",
            "of the plateau missing when the next row is pulsed, which is urgent",
            chosen="rows are cleaned visibly more weakly",
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
            "min_pulses_row",
            "20",
            "pulses of a row before it is judged",
            chosen="the median of fewer is noisy",
        ),
    ),
    check_first=(
        "one header: gauges before and after the regulator, isolation valve",
        "one row: air heard at its valve between pulses, standing clear",
        "isolated and bled: drain, filter, regulator; seat, spring and diaphragms of the row",
    ),
    confused_with="plant air short; an interval too short to recover; a row that closes late",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
    references=("common practice, no source",),
    judge=judge,
    excused_off=True,
)
