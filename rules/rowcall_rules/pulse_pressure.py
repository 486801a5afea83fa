"""Pulses start from a pressure outside what is usual for the bags' fabric.

Why: below the band the cake is not thrown off, above it felt wears and dust bleeds through; woven
glass is pulsed softer than felt. The band is a starting point of practice: the bag maker's data
sheet decides. Looks like, but is not: a sag by too short an interval or a leaking header, which
have rules of their own and lower the same number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall import trade
from rowcall.diagnosis.headers import headers_of, pressure_before
from rowcall.media import Fibre
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
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


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every header; reads the facts plateau_pa, left_pa and before_pa."""
    day, limits = context.day, context.limits
    facts = context.facts
    for header in headers_of(day):
        subject = Subject(day.baghouse.id, header)
        pressure = pressure_before(day, facts, header)
        if day.baghouse.media is None:
            yield Answer.cannot_tell(subject, "the site file does not state the media of the bags")
        elif math.isnan(pressure):
            yield Answer.cannot_tell(subject, "the pressure before pulses is not known")
        else:
            yield _judge_header(day, subject, day.baghouse.media, pressure, limits)


def _judge_header(
    day: BaghouseDay, subject: Subject, media: Fibre, pressure: float, limits: Limits
) -> Answer:
    band = trade.PULSE_PRESSURE_GLASS if media is Fibre.GLASS else trade.PULSE_PRESSURE_FELT
    low, high = (fact.value for fact in band)
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
    slack = limits["slack"]
    if (1 - slack) * low <= pressure <= (1 + slack) * high:
        return Answer.clear(subject, f"As usual: {seen}.", values)
    is_low = pressure < low
    setting = day.baghouse.pulse_pressure
    stated = "" if setting is None else f" The site file sets {show(setting, 'bar', 2)}."
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.WATCH,
        start=day.start,
        end=day.end,
        values=values,
        text=f"Pulse pressure is {'low' if is_low else 'high'}: {seen}.{stated}",
        action="Compare with the bag maker's data sheet and the regulator's setting; "
        + (
            "too weak a pulse leaves the cake on the bags."
            if is_low
            else "too hard a pulse wears the bags and lets dust bleed through."
        ),
    )


RULE = Rule(
    name="pulse_pressure",
    title="Pulse pressure unusual for the bags",
    chapter=Chapter.AIR,
    looks_for="A header pressure before pulses outside what is usual for the media.",
    needs=(Need(any_of=(Role.HEADER_PRESSURE,), purpose="to know what pulses start from"),),
    thresholds=(
        Threshold("slack", "5 %", Dimension.RATIO, "of the band's ends that is let pass", "chosen"),
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
