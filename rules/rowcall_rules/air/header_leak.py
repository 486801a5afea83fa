"""A header loses air between pulses: its plateau falls, or its pressure while nothing pulses.

Why: supply and leak balance at a lower pressure than the supply alone would give, for all rows,
from one moment on; with the supply shut, the pressure falls by itself. A valve that does not seat,
a drain left open, a bulkhead fitting. Rule out: a supply that is down (then the other headers and
the supply pressure are too), a regulator set lower (only the resting test shows which), a header
that was bled on purpose.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import polars as pl

from rowcall.diagnosis.header_hours import SURE, Change, HeaderHours, Hours, middle, span_of
from rowcall.diagnosis.headers import HOURS_A_YEAR, needs_header
from rowcall.diagnosis.shared_change import P_OWN, Parts, split
from rowcall.events.headers.air_use import free_air
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Floats,
    Lack,
    Quantity,
    Rule,
    Urgency,
    limit,
    since_words,
    work,
)
from rowcall.units import Units, percent, show

_SUPPLY_ERROR = 0.01  # of its logarithm; chosen: headers follow it so closely
_MIN_HOURS = 3  # chosen: an hour or two may be a regulator being set
_STEADY = 0.8  # chosen: share of the hours since its begin that a lasting fall shows in
_ERRORS_95 = 1.96  # standard errors of a 95 % interval
# By trial on headers that share a line. Of a drop: where a refill ends that a leak bends. Relative:
# the air of a leak, where its feed comes to rest before the next pulse; else half as much again
_END_ERROR, _FLOW_ERROR = 0.02, 0.1
_AT_REST = 0.75  # of the interval, within which 95 % are recovered; chosen, by the same trials
# A header that surely refills more slowly than before, by its own, has a cause: air lost, or a feed
# that narrows. Even odds; standard errors, chosen: hardly ever by chance
_P_OF_SLOWER, _SURELY = 0.5, 3.0
_ENDS = 0.01  # of the plateau missing when the next row is pulsed; chosen: less hides no leak
_MIN_SHARED = 0.01  # of the plateau; chosen: sound supplies wander so much


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every header, by a decay while nothing pulses, else by its plateau."""
    headers = HeaderHours(context)
    low = headers.lower(context.limits["history_days"])
    supply = _supply_change(context, headers)
    p_changed = _p_changed(headers.slower(context.limits["history_days"]))
    parts = split(
        np.vstack([low.log, supply]),
        np.vstack([low.error, np.full_like(supply, _SUPPLY_ERROR)]),
        wander=low.wander,
        limit=-math.log1p(-context.limits["fall"]),
        p_changed=np.vstack([p_changed, np.full_like(supply, P_OWN)]),
    )
    for n, header in enumerate(headers.headers):
        if (Fact.DECAY_TAU_S, header, 0) in context.facts:
            yield _by_decay(context, header)
        else:
            yield _by_plateau(headers, low, parts, p_changed, n)


def _p_changed(slow: Change) -> Floats:
    """That a header has a change of its own, before its plateaus are seen."""
    least = np.fmin.reduce(slow.log, axis=0)  # of the headers: what the supply explains
    is_slower = slow.log - least > _SURELY * slow.error
    return np.where(is_slower, _P_OF_SLOWER, P_OWN)


def _supply_change(context: Context, headers: HeaderHours) -> Floats:
    """How much lower the supply is than usual, hour by hour, shape (1, n_hours); nan: not known."""
    out = np.full((1, headers.n_hours), np.nan)
    days = context.limits["history_days"]
    usual = context.history.usual(Fact.SUPPLY_PRESSURE_PA, 0, 0, quantile=0.75, min_days=days)
    minutes = context.day.minutes
    if "supply_pressure_pa" in minutes.columns and usual > 0:
        hour = (pl.col("minute") // 60).alias("hour")
        means = minutes.group_by(hour).agg(pl.col("supply_pressure_pa").median())
        means = means.filter(pl.col("supply_pressure_pa") > 1.0)  # no air has no logarithm
        out[0, means["hour"].to_numpy()] = np.log(usual / means["supply_pressure_pa"].to_numpy())
    return out


def _by_decay(context: Context, header: int) -> Answer:
    """Judge by what the header lost while nothing pulsed."""
    subject, facts = context.subject(header), context.facts
    tau, loss = facts.of(Fact.DECAY_TAU_S, header), facts.of(Fact.DECAY_PA_S, header)
    flow, a_minute = facts.of(Fact.DECAY_M3_S, header), context.units.pressure.show(60 * loss, 1)
    lost = (
        f"while nothing pulsed the pressure fell by {a_minute} a minute at first "
        f"(time constant {_time(tau)}){_spell_flow(context.units, flow)}"
    )
    if not facts.of(Fact.DECAY_SUPPLY_HELD, header) > 0:
        return Answer.cannot_tell(
            subject,
            f"{lost}, but nothing shows that the supply did not empty with it (no tag of supply "
            "pressure above the header's, no other header that held its pressure meanwhile)",
            Lack.SUPPLY,
        )
    return context.found(
        subject,
        Urgency.NEXT_OUTAGE,
        f"Loses air: {lost}. Whether it was bled on purpose the data cannot tell.",
        _ACTION,
        (
            Quantity("decay_tau_s", tau, "s"),
            Quantity("decay_pa_s", loss, "Pa/s"),
            *_leak_value(flow),
        ),
        start=context.at(facts.of(Fact.DECAY_START_S, header)),
        end=context.at(facts.of(Fact.DECAY_END_S, header)),
    )


def _by_plateau(
    headers: HeaderHours, low: Change, parts: Parts, p_changed: Floats, n: int
) -> Answer:
    """Judge by where the refills tend to, against the other headers and the supply."""
    context = headers.context
    limits, subject = context.limits, context.subject(headers.headers[n])
    known = np.isfinite(low.log[n])
    if not known.any():
        why = "the pressure between pulses is not known"
        return Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
    if not low.by_history[n]:
        since = since_words(context.history, Fact.PLATEAU_PA, subject)
        why = f"fewer than {limits['history_days']:.0f} days{since} show where it usually stands"
        level = Quantity("plateau_pa", middle(low.value[n], known), "Pa")
        return Answer.cannot_tell(subject, why, Lack.HISTORY, values=(level,))
    bound = -math.log1p(-limits["fall"])
    compared = np.delete(np.isfinite(parts.own), n, axis=0).any(axis=0) & known
    is_low = np.where(compared, parts.p_own[n] >= SURE, low.beyond(bound)[n])
    hours = _since(is_low, known)
    if not hours.any() and compared.any() and _low_by_day(low, bound, p_changed, n):
        hours = known  # no hour is sure by itself
    judged = hours if hours.any() else known
    fell = middle(np.where(compared, parts.own[n], low.log[n]), judged)
    now, ratio = middle(low.value[n], judged), math.exp(-fell)
    gauge = context.units.gauge
    seen = f"between pulses it stands at {gauge.show(now)}, usually {gauge.show(low.usual[n])}"
    values = (
        Quantity("plateau_pa", now, "Pa"),
        Quantity("usual_plateau_pa", low.usual[n], "Pa"),
        Quantity("plateau_ratio", ratio, "1"),
    )
    if not hours.any() and fell > bound:
        why = f"{seen}, {_unsure(headers, low, n, fell)}"
        return Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE, values=values)
    if not hours.any():
        unseen = "With the supply feeding, a leak that does not lower it cannot be seen."
        return Answer.clear(subject, f"Holds its plateau: {seen}. {unseen}", values)
    if not compared[hours].any():
        why = f"{seen}, but neither supply pressure nor another header shows a low supply"
        return Answer.cannot_tell(subject, why, Lack.SUPPLY)
    falls = _interval(headers, low, n, hours, fell)
    least, most = (percent(-math.expm1(-one), 1) for one in falls)
    flows = _flows(context, headers.headers[n], low.usual[n], (falls[0], fell, falls[1]))
    start, end = span_of(context, hours)
    return context.found(
        subject,
        Urgency.NEXT_OUTAGE,
        f"Plateau is {percent(1 - ratio, 1)} down (95 % interval {least} to {most}) against supply "
        f"or other headers: {seen}{_spell_flows(context.units, flows)}."
        f"{_shared_words(now / low.usual[n], ratio)} A regulator set lower looks the same: only "
        "the resting test shows which.",
        _ACTION,
        (
            *values,
            Quantity("plateau_ratio_high", math.exp(-falls[0]), "1"),
            Quantity("plateau_ratio_low", math.exp(-falls[1]), "1"),
            *_leak_value(flows[1]),
        ),
        start=start,
        end=end,
    )


def _unsure(headers: HeaderHours, low: Change, n: int, fell: float) -> str:
    """Say by how much a plateau seems down, and what keeps it from being sure."""
    known = np.isfinite(low.log[n])
    down, least, most = (
        percent(-math.expm1(-one), 1) for one in (fell, *_interval(headers, low, n, known, fell))
    )
    seems = f"by its own perhaps {down} down (95 % interval {least} to {most})"
    if middle(headers.table("left_pa")[n] / low.value[n], known) < _ENDS:
        return f"{seems}: too little to be sure that it loses air"
    return (
        f"{seems}, but refills do not end before the next pulse: whether air is lost or the feed "
        "narrows, only the resting test shows"
    )


def _low_by_day(low: Change, bound: float, p_changed: Floats, n: int) -> bool:
    """Whether a header's median over the day is low, against those of the other headers."""
    known = np.asarray(np.isfinite(low.log).any(axis=1), np.bool_)
    log, count = low.log[known], np.isfinite(low.log[known]).sum(axis=1)
    error = np.hypot(low.error[known].min(axis=1), np.nanstd(log, axis=1) / np.sqrt(count))
    medians = np.nanmedian(log, axis=1)
    p_day = np.median(p_changed[known], axis=1)
    day = split(
        medians[:, None], error[:, None], wander=low.wander, limit=bound, p_changed=p_day[:, None]
    )
    return bool(day.p_own[int(known[:n].sum()), 0] >= SURE)


def _since(is_low: Hours, known: Hours) -> Hours:
    """Hours of a fall that lasts to the end of the day; none where it does not."""
    at = np.flatnonzero(known)
    low = is_low[at]
    share = np.cumsum(low[::-1])[::-1] / np.arange(low.size, 0, -1)
    begins = np.flatnonzero(low & (share >= _STEADY))
    out = np.zeros_like(is_low)
    if begins.size and low[begins[0] :].sum() >= min(_MIN_HOURS, low.size) and low[-3:].any():
        out[at[begins[0] :]] = True
    return out


def _interval(
    headers: HeaderHours, low: Change, n: int, hours: Hours, fell: float
) -> tuple[float, float]:
    """95 % interval of a leak's fall, as logarithms; what all headers share may be its own too."""
    drop = middle(headers.table("drop_pa")[n] / low.value[n], hours)
    end = _END_ERROR * drop if math.isfinite(drop) else 0.0
    reach = _ERRORS_95 * math.hypot(middle(low.error[n], hours), end)
    return max(fell - reach, 0.0), max(fell, middle(low.log[n], hours)) + reach


def _shared_words(down: float, own: float) -> str:
    shared = own - down
    if shared < _MIN_SHARED:
        return ""
    return (
        f" All headers are {percent(shared, 1)} down besides: by their supply, or as they share "
        "what feeds the leak."
    )


def _flows(
    context: Context, header: int, usual_pa: float, falls: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Free air that the supply feeds into the leak all the time [m3/s], nan where not known.

    Least, likely and most of three falls of the plateau, as logarithms. At the lower plateau the
    supply feeds as much as it usually does at that deficit of a refill: dD/dt = -k D^b, of which
    63 % and 95 % of a usual drop are recovered in known times. A feed that does not come to rest
    before the next pulse feeds that pulse too: then the least is 0.
    """
    volume, days = context.day.baghouse.header_volume, context.limits["history_days"]
    tau, t95, drop = (
        context.history.usual(fact, header, 0, quantile=0.5, min_days=days)
        for fact in (Fact.TAU_S, Fact.RECOVERY_S, Fact.REFILL_DROP_PA)
    )
    if volume is None or math.isnan(tau + t95 + drop) or min(tau, drop, falls[1]) <= 0:
        return (math.nan,) * 3
    bends = np.linspace(0.01, 1.0, 100)
    ratios = (1 - 0.05**bends) / (1 - math.exp(-1.0) ** bends)
    bend = float(np.interp(-t95 / tau, -ratios, bends))
    full = free_air(volume, drop / tau * (1 - math.exp(-bend)) / bend)
    least, likely, most = (
        full * (-math.expm1(-fall) * usual_pa / drop) ** (1 - bend) for fall in falls
    )
    facts, off = context.facts, _ERRORS_95 * _FLOW_ERROR
    is_at_rest = facts.of(Fact.RECOVERY_S, header) <= _AT_REST * facts.of(Fact.INTERVAL_S, header)
    return least * (1 - off) if is_at_rest else 0.0, likely, most * (1 + off)


def _leak_value(flow_m3_s: float) -> tuple[Quantity, ...]:
    return () if math.isnan(flow_m3_s) else (Quantity("leak_m3_s", flow_m3_s, "m3/s"),)


def _spell_flows(units: Units, flows: tuple[float, float, float]) -> str:
    if math.isnan(flows[1]):
        return ""
    least, most = (units.air_flow.show(flows[end], -1) for end in (0, 2))
    if flows[0] == 0.0:
        return f", at most {most}"
    return f"{_spell_flow(units, flows[1])}, 95 % interval {least} to {most}"


def _spell_flow(units: Units, flow_m3_s: float) -> str:
    if math.isnan(flow_m3_s):
        return ""
    yearly = units.air.show(flow_m3_s * 3600 * HOURS_A_YEAR, -1)
    return f", about {units.air_flow.show(flow_m3_s, -1)} ({yearly} a year at that rate)"


def _time(seconds: float) -> str:
    if seconds < 120:
        return show(seconds, "s", 0)
    return show(seconds, "min", 0) if seconds < 7200 else show(seconds, "h", 1)


_ACTION = work(
    outside="Stop the sequence at the controller and, standing clear, listen along valves, drain "
    "and bulkheads (ultrasonic detector); with the supply shut, time the fall of the header's "
    "pressure.",
    isolated="the part that was heard or bubbled: valve seat and diaphragms, drain, fitting.",
)

RULE = Rule(
    name="header_leak",
    title="Header loses air",
    chapter=Chapter.AIR,
    looks_for="A plateau between pulses below the days before, or a loss while nothing pulses.",
    needs=(needs_header("to see where the pressure stands"),),
    thresholds=(
        limit(
            "fall",
            "2 %",
            "of the usual plateau lost",
            chosen="a regulator holds its setting to about 1 %",
        ),
        limit(
            "history_days",
            "5",
            "days that make the usual plateau",
            chosen="their scatter is known to about a third",
        ),
    ),
    check_first=(
        "ultrasonic check with the sequence stopped, standing clear",
        "is the drain of the header fully shut",
        "isolated and bled: the part that leaks",
    ),
    confused_with="plant air down; a regulator set lower; a header bled on purpose",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
    references=(
        "isothermal ideal gas, choked outflow: absolute pressure decays exponentially",
        "common practice, no source",
    ),
    judge=judge,
    excused_off=True,
)
