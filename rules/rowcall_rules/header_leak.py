"""A header loses air between pulses: its plateau falls, or its pressure while nothing fires.

Why: supply and leak balance at a lower pressure than the supply alone would give, for all rows,
from one moment on; with the supply shut, the pressure falls by itself. A valve that does not seat,
a drain left open, a bulkhead fitting. Looks like, but is not: a supply that is down (then the other
headers and the supply pressure are too), a regulator set lower (only the resting test tells), a
header that was bled on purpose.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from rowcall.diagnosis.headers import HOURS_A_YEAR, headers_of
from rowcall.events.headers.folded_refill import free_air
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

_TO_SIGMA = 1.4826  # median absolute deviation of a normal distribution to its standard one
_ACTION = (
    "Stop the sequence and listen along valves, drain and bulkheads (ultrasonic, then soap); "
    "with the supply shut, time the fall of the header's pressure."
)


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
    """Answer for every header; reads plateau_pa, rest_pa, decay_* and their history."""
    day, limits = context.day, context.limits
    facts = context.facts
    headers = headers_of(day)
    levels = {header: _level(day, facts, header, limits) for header in headers}
    supply = _supply_ratio(day, facts, limits)
    for header in headers:
        others = [level.ratio for h, level in levels.items() if h != header and level]
        held = [*others, *([] if supply is None else [supply])]
        yield (
            _by_decay(day, facts, header)
            if (Fact.DECAY_TAU_S, header, 0) in facts
            else _by_plateau(day, facts, header, levels[header], held, limits)
        )


def _level(day: BaghouseDay, facts: FactBook, header: int, limits: Limits) -> _Level | None:
    """The plateau of the refills; where samples do not tell it, the pressure of rests."""
    for fact in (Fact.PLATEAU_PA, Fact.IDLE_PA):
        now = facts.of(fact, header)
        _, past = day.history.of(fact, header)
        usual = day.history.usual(fact, header, 0, quantile=0.75, min_days=limits["history_days"])
        # Without pulses it may have been emptied on purpose.
        pulsed = (Fact.INTERVAL_S, header, 0) in facts
        if pulsed and math.isfinite(now) and usual > 0:
            middle = np.median(past)
            return _Level(now, usual, _TO_SIGMA * float(np.median(np.abs(past - middle))))
    return None


def _supply_ratio(day: BaghouseDay, facts: FactBook, limits: Limits) -> float | None:
    now = facts.of(Fact.SUPPLY_PRESSURE_PA)
    usual = day.history.usual(
        Fact.SUPPLY_PRESSURE_PA, 0, 0, quantile=0.75, min_days=limits["history_days"]
    )
    return now / usual if math.isfinite(now) and usual > 0 else None


def _by_decay(day: BaghouseDay, facts: FactBook, header: int) -> Answer:
    """Judge by what the header lost while nothing fired."""

    def of(fact: Fact) -> float:
        return facts.of(fact, header)

    subject, tau, loss = Subject(day.baghouse.id, header), of(Fact.DECAY_TAU_S), of(Fact.DECAY_PA_S)
    flow = of(Fact.DECAY_M3_S)
    lost = (
        f"while nothing fired the pressure fell by {show(60 * loss, 'bar', 3)} a minute at first "
        f"(time constant {_time(tau)}){_spell_flow(flow)}"
    )
    if not _supply_stood(day, facts, header):
        return Answer.cannot_tell(
            subject,
            f"{lost}, but nothing shows that the supply did not empty with it (no tag of supply "
            "pressure above the header's, no other header that held its pressure meanwhile)",
        )
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        start=day.start + timedelta(seconds=of(Fact.DECAY_START_S)),
        end=day.start + timedelta(seconds=of(Fact.DECAY_END_S)),
        values=(
            Quantity("decay_tau_s", tau, "s"),
            Quantity("decay_pa_s", loss, "Pa/s"),
            *_leak_value(flow),
        ),
        text=f"Loses air: {lost}. Whether it was bled on purpose the data cannot tell.",
        action=_ACTION,
    )


def _supply_stood(day: BaghouseDay, facts: FactBook, header: int) -> bool:
    """Tell whether the supply, or another header on it, kept its pressure during the decay."""
    held = facts.of(Fact.DECAY_SUPPLY_HELD, header)
    if math.isfinite(held):
        return held > 0
    start, end = facts.of(Fact.DECAY_START_S, header), facts.of(Fact.DECAY_END_S, header)
    for other in headers_of(day):
        if other == header or (Fact.IDLE_PA, other, 0) not in facts:
            continue
        begin, stop = facts.of(Fact.DECAY_START_S, other), facts.of(Fact.DECAY_END_S, other)
        if not (begin <= end and start <= stop):  # nan: no decay at all
            return True
    return False


def _by_plateau(
    day: BaghouseDay,
    facts: FactBook,
    header: int,
    level: _Level | None,
    held: list[float],
    limits: Limits,
) -> Answer:
    """Judge by the pressure that the header tends to between pulses, against the days before."""
    subject = Subject(day.baghouse.id, header)
    if level is None:
        return Answer.cannot_tell(
            subject,
            f"a plateau is compared with {limits['history_days']:.0f} days before, and pressure "
            "was not seen to fall while nothing fired",
        )
    values = (
        Quantity("plateau_pa", level.now, "Pa"),
        Quantity("usual_plateau_pa", level.usual, "Pa"),
        Quantity("plateau_ratio", level.ratio, "1"),
    )
    seen = (
        f"between pulses it stands at {show(level.now, 'bar', 2)} gauge, usually "
        f"{show(level.usual, 'bar', 2)}"
    )
    fall = max(limits["fall"], limits["errors"] * level.scatter / level.usual)
    if level.ratio > 1 - fall:
        return Answer.clear(
            subject,
            f"Holds its plateau: {seen}. With the supply feeding, a leak that does not lower it "
            "cannot be seen.",
            values,
        )
    if not held:
        return Answer.cannot_tell(
            subject, f"{seen}, but neither supply pressure nor another header tells a low supply"
        )
    if level.ratio > min(1.0, max(held)) - fall:
        return Answer.clear(subject, f"Low with the supply or the other headers: {seen}.", values)
    flow = _balance(day, header, level, limits)
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        start=day.start,
        end=day.end,
        values=(*values, *_leak_value(flow)),
        text=f"Plateau is {1 - level.ratio:.0%} down: {seen}, while supply or other headers hold "
        f"theirs{_spell_flow(flow)}. A regulator set lower looks the same: only the resting test "
        "tells.",
        action=_ACTION,
    )


def _balance(day: BaghouseDay, header: int, level: _Level, limits: Limits) -> float:
    """Free air that the supply makes good all the time [m3/s], nan where untold.

    First order: at the lower plateau the supply still feeds (p_usual - p) / tau.
    """
    recovery = day.history.usual(
        Fact.RECOVERY_S, header, 0, quantile=0.25, min_days=limits["history_days"]
    )
    volume = day.baghouse.header_volume
    if volume is None or math.isnan(recovery):
        return math.nan
    return free_air(volume, (level.usual - level.now) / (recovery / T95))


def _leak_value(flow_m3_s: float) -> tuple[Quantity, ...]:
    return () if math.isnan(flow_m3_s) else (Quantity("leak_m3_s", flow_m3_s, "m3/s"),)


def _spell_flow(flow_m3_s: float) -> str:
    if math.isnan(flow_m3_s):
        return ""
    hourly = flow_m3_s * 3600
    yearly = float(f"{hourly * HOURS_A_YEAR:.2g}")
    return f", about {hourly:.2g} m3 of free air an hour ({yearly:,.0f} a year at that rate)"


def _time(seconds: float) -> str:
    if seconds < 120:
        return show(seconds, "s", 0)
    return show(seconds, "min", 0) if seconds < 7200 else show(seconds, "h", 1)


RULE = Rule(
    name="header_leak",
    title="Header loses air",
    chapter=Chapter.AIR,
    looks_for="A plateau between pulses below the days before, or pressure lost while none fires.",
    needs=(Need(any_of=(Role.HEADER_PRESSURE,), purpose="to see where the pressure stands"),),
    thresholds=(
        Threshold("fall", "3 %", Dimension.RATIO, "of the usual plateau lost", "chosen"),
        Threshold("errors", "5", Dimension.RATIO, "day-to-day standard deviations lost", "chosen"),
        Threshold("history_days", "5", Dimension.RATIO, "days that make the usual one", "chosen"),
    ),
    check_first=("ultrasonic or soap check with the sequence stopped", "drain of the header"),
    confused_with="plant air down; a regulator set lower; a header bled on purpose",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT),
    references=(
        "isothermal ideal gas, choked outflow: absolute pressure decays exponentially",
        "common practice, no source",
    ),
    judge=judge,
)
