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
from dataclasses import dataclass

import numpy as np

from rowcall.diagnosis.headers import HOURS_A_YEAR, headers_of
from rowcall.events.headers.air_use import free_air
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
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import percent, show

_TO_SIGMA = 1.4826  # median absolute deviation of a normal distribution to its standard one


@dataclass(frozen=True, slots=True)
class _Level:
    """Pressure a header stands at, what was usual, and the scatter of that [Pa]."""

    now: float
    usual: float
    scatter: float

    @property
    def ratio(self) -> float:
        """Today's as a share of the usual one."""
        return self.now / self.usual


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every header, by a decay while nothing pulses, else by its plateau."""
    headers = headers_of(context.day)
    levels = {header: _level(context, header) for header in headers}
    supply = _supply_ratio(context)
    for header in headers:
        others = [level.ratio for h, level in levels.items() if h != header and level]
        if (Fact.DECAY_TAU_S, header, 0) in context.facts:
            yield _by_decay(context, header)
        else:
            held = [*others, *([] if supply is None else [supply])]
            yield _by_plateau(context, header, levels[header], held)


def _level(context: Context, header: int) -> _Level | None:
    """The plateau of the refills; where samples do not show it, the pressure of rests."""
    # Without pulses it may have been emptied on purpose.
    if (Fact.INTERVAL_S, header, 0) not in context.facts:
        return None
    for fact in (Fact.PLATEAU_PA, Fact.IDLE_PA):
        now = context.facts.of(fact, header)
        usual = _usual(context, fact, header)
        if math.isfinite(now) and usual > 0:
            _, past = context.history.of(fact, header)
            deviation = np.median(np.abs(past - np.median(past)))
            return _Level(now, usual, _TO_SIGMA * float(deviation))
    return None


def _usual(context: Context, fact: Fact, header: int) -> float:
    days = context.limits["history_days"]
    return context.history.usual(fact, header, 0, quantile=0.75, min_days=days)


def _supply_ratio(context: Context) -> float | None:
    now = context.facts.of(Fact.SUPPLY_PRESSURE_PA)
    usual = _usual(context, Fact.SUPPLY_PRESSURE_PA, 0)
    return now / usual if math.isfinite(now) and usual > 0 else None


def _by_decay(context: Context, header: int) -> Answer:
    """Judge by what the header lost while nothing pulsed."""
    subject, facts = context.subject(header), context.facts
    tau, loss = facts.of(Fact.DECAY_TAU_S, header), facts.of(Fact.DECAY_PA_S, header)
    flow = facts.of(Fact.DECAY_M3_S, header)
    lost = (
        f"while nothing pulsed the pressure fell by {show(60 * loss, 'bar', 3)} a minute at first "
        f"(time constant {_time(tau)}){_spell_flow(flow)}"
    )
    if not _supply_stood(context, header):
        return Answer.cannot_tell(
            subject,
            f"{lost}, but nothing shows that the supply did not empty with it (no tag of supply "
            "pressure above the header's, no other header that held its pressure meanwhile)",
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


def _supply_stood(context: Context, header: int) -> bool:
    """Return whether the supply, or another header on it, kept its pressure during the decay."""
    facts = context.facts
    held = facts.of(Fact.DECAY_SUPPLY_HELD, header)
    if math.isfinite(held):
        return held > 0
    start, end = facts.of(Fact.DECAY_START_S, header), facts.of(Fact.DECAY_END_S, header)
    for other in headers_of(context.day):
        if other == header or (Fact.IDLE_PA, other, 0) not in facts:
            continue
        begin, stop = facts.of(Fact.DECAY_START_S, other), facts.of(Fact.DECAY_END_S, other)
        if not (begin <= end and start <= stop):  # nan: no decay at all
            return True
    return False


def _by_plateau(context: Context, header: int, level: _Level | None, held: list[float]) -> Answer:
    """Judge by the pressure that the header tends to between pulses, against the days before."""
    subject, limits = context.subject(header), context.limits
    if level is None:
        return Answer.cannot_tell(
            subject,
            f"a plateau is compared with {limits['history_days']:.0f} days before, and no fall of "
            "pressure was seen while nothing pulsed",
        )
    seen = (
        f"between pulses it stands at {show(level.now, 'bar', 2)} gauge, usually "
        f"{show(level.usual, 'bar', 2)}"
    )
    values = _values(level)
    fall = max(limits["fall"], limits["errors"] * level.scatter / level.usual)
    if level.ratio > 1 - fall:
        unseen = "With the supply feeding, a leak that does not lower it cannot be seen."
        return Answer.clear(subject, f"Holds its plateau: {seen}. {unseen}", values)
    if not held:
        why = f"{seen}, but neither supply pressure nor another header shows a low supply"
        return Answer.cannot_tell(subject, why)
    if level.ratio > min(1.0, max(held)) - fall:
        return Answer.clear(subject, f"Low with the supply or the other headers: {seen}.", values)
    flow = _balance(context, header, level)
    text = (
        f"Plateau is {percent(1 - level.ratio)} down: {seen}, while supply or other headers hold "
        f"theirs{_spell_flow(flow)}. A regulator set lower looks the same: only the resting test "
        "shows which."
    )
    values = (*values, *_leak_value(flow))
    return context.found(subject, Urgency.NEXT_OUTAGE, text, _ACTION, values)


def _values(level: _Level) -> tuple[Quantity, ...]:
    return (
        Quantity("plateau_pa", level.now, "Pa"),
        Quantity("usual_plateau_pa", level.usual, "Pa"),
        Quantity("plateau_ratio", level.ratio, "1"),
    )


def _balance(context: Context, header: int, level: _Level) -> float:
    """Free air that the supply feeds into the leak all the time [m3/s], nan where not known.

    First order: at the lower plateau the supply still feeds (p_usual - p) / tau.
    """
    recovery = context.history.usual(
        Fact.RECOVERY_S, header, 0, quantile=0.25, min_days=context.limits["history_days"]
    )
    volume = context.day.baghouse.header_volume
    if volume is None or math.isnan(recovery):
        return math.nan
    return free_air(volume, (level.usual - level.now) / (recovery / T95))


def _leak_value(flow_m3_s: float) -> tuple[Quantity, ...]:
    return () if math.isnan(flow_m3_s) else (Quantity("leak_m3_s", flow_m3_s, "m3/s"),)


def _spell_flow(flow_m3_s: float) -> str:
    if math.isnan(flow_m3_s):
        return ""
    hourly = float(f"{flow_m3_s * 3600:.2g}")
    yearly = float(f"{flow_m3_s * 3600 * HOURS_A_YEAR:.2g}")
    return f", about {hourly:,g} m³ of free air an hour ({yearly:,.0f} a year at that rate)"


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
    needs=(
        Need(
            any_of=(Role.HEADER_PRESSURE,),
            purpose="to see where the pressure stands",
            max_step_s=3600.0,  # chosen: a plateau or a rest shows in more than a few points only
        ),
    ),
    thresholds=(
        limit(
            "fall",
            "3 %",
            "of the usual plateau lost",
            chosen="a regulator holds its setting to about 1 %",
        ),
        limit(
            "errors",
            "5",
            "day-to-day standard deviations lost",
            chosen="a supply that wanders from day to day must not be called a leak",
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
)
