"""Pulses start from a pressure outside what is usual for the bags' fabric.

Why: below the band the cake is not thrown off, above it felt wears and dust bleeds through; woven
glass is pulsed softer than felt. The band is a starting point of practice: the bag maker's data
sheet decides. Rule out: an interval too short to recover, or a leaking header, which have rules of
their own and lower the same number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall import trade
from rowcall.diagnosis.headers import headers_of, needs_header, pressure_before
from rowcall.media import Fibre
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Quantity,
    Rule,
    Subject,
    Urgency,
    limit,
    work,
)
from rowcall.units import show


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every header by the pressure that a usual pulse starts from."""
    day = context.day
    for header in headers_of(day):
        subject = context.subject(header)
        pressure = pressure_before(day, context.facts, header)
        if day.baghouse.media is None:
            yield Answer.cannot_tell(subject, "the site file does not state the media of the bags")
        elif math.isnan(pressure):
            yield Answer.cannot_tell(subject, "the pressure before pulses is not known")
        else:
            yield _judge_header(context, subject, day.baghouse.media, pressure)


def _judge_header(context: Context, subject: Subject, media: Fibre, pressure: float) -> Answer:
    low, high = (fact.value for fact in _band(media))
    values = (
        Quantity("before_pa", pressure, "Pa"),
        Quantity("band_low_pa", low, "Pa"),
        Quantity("band_high_pa", high, "Pa"),
    )
    kind = "woven glass" if media is Fibre.GLASS else f"felt ({media.value})"
    seen = (
        f"pulses start from {show(pressure, 'bar', 2)} gauge; usual for {kind} are "
        f"{show(low, 'bar', 1)} to {show(high, 'bar', 1)}"
    )
    slack = context.limits["slack"]
    if (1 - slack) * low <= pressure <= (1 + slack) * high:
        return Answer.clear(subject, f"As usual: {seen}.", values)
    setting = context.day.baghouse.pulse_pressure
    stated = "" if setting is None else f" The site file sets {show(setting, 'bar', 2)}."
    found = "low" if pressure < low else "high"
    text = f"Pulse pressure is {found}: {seen}.{stated}"
    return context.found(subject, Urgency.WATCH, text, _ACTIONS[found], values)


def _band(media: Fibre) -> tuple[trade.Fact, trade.Fact]:
    return trade.PULSE_PRESSURE_GLASS if media is Fibre.GLASS else trade.PULSE_PRESSURE_FELT


_COMPARE = "Compare with the bag maker's data sheet and the regulator's setting"
_ACTIONS = {
    "low": work(outside=f"{_COMPARE}; too weak a pulse leaves the cake on the bags."),
    "high": work(
        outside=f"{_COMPARE}; too hard a pulse wears the bags and lets dust bleed through."
    ),
}

RULE = Rule(
    name="pulse_pressure",
    title="Pulse pressure unusual for the bags",
    chapter=Chapter.AIR,
    looks_for="A header pressure before pulses outside what is usual for the media.",
    needs=(needs_header("to know what pulses start from"),),
    thresholds=(
        limit(
            "slack",
            "10 %",
            "of the band's ends that is accepted",
            chosen="gauges differ by a few per cent, and sound headers may lack as much when "
            "the next row is pulsed",
        ),
    ),
    check_first=("regulator's setting", "bag maker's data sheet", "supply pressure"),
    confused_with="a leaking header; an interval too short to recover; plant air short",
    cautions=(Caution.STORED_AIR,),
    references=tuple(
        f"{low.text} to {high.text}: {name}, {low.source}"
        for name, (low, high) in (
            ("woven glass", trade.PULSE_PRESSURE_GLASS),
            ("felt", trade.PULSE_PRESSURE_FELT),
        )
    ),
    judge=judge,
)
