"""Pulses start from a pressure outside what is usual for the bags' fabric, or from none at all.

Why: a header without air cleans nothing, however often its valves are called. Below the band the
cake is not thrown off, above it felt wears and dust bleeds through; woven glass is pulsed softer
than felt. The band is a starting point of practice: the bag maker's data sheet decides.
Rule out: an interval too short to recover, or a leaking header, which have rules of their own and
lower the same number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
import polars as pl

from rowcall import trade
from rowcall.diagnosis.headers import headers_of, needs_header, pressure_before
from rowcall.media import Fibre
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Floats,
    Lack,
    Quantity,
    Rule,
    Subject,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, percent


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every header by the pressure that a usual pulse starts from."""
    day = context.day
    for header in headers_of(day):
        subject = context.subject(header)
        empty_s = _without_air(context, header)
        if empty_s.size >= context.limits["min_pulses"]:
            yield _no_air(context, subject, empty_s)
            continue
        pressure = pressure_before(day, context.facts, header)
        if day.baghouse.media is None:
            why = "the site file does not state the media of the bags"
            yield Answer.cannot_tell(subject, why, Lack.MEDIA)
        elif math.isnan(pressure):
            why = "the pressure before pulses is not known"
            yield Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
        else:
            yield _judge_header(context, subject, day.baghouse.media, pressure)


def _without_air(context: Context, header: int) -> Floats:
    """Return when rows of a header were pulsed without pressure in it, shape (n_pulses,) [s]."""
    day = context.day
    signal = day.signals.get((Role.HEADER_PRESSURE, header, 0))
    served = day.baghouse.served_by(header, headers_of(day))
    mine = day.pulses.filter(pl.col("compartment").is_in(served))
    at_s = mine["time_s"].to_numpy().astype(np.float64)
    if signal is None or not signal.time_s.size:
        return at_s[:0]
    last = np.searchsorted(signal.time_s, at_s, side="right") - 1
    # A pulse itself empties a small header for a moment, so the point before it counts.
    is_near = (last >= 0) & (at_s - signal.time_s[last] <= signal.longest_hold_s)
    return at_s[is_near & (signal.value[last] < context.limits["no_air"])]


def _no_air(context: Context, subject: Subject, at_s: Floats) -> Answer:
    level = context.units.gauge.show(context.limits["no_air"])
    return context.found(
        subject,
        Urgency.NOW,
        f"No air: {at_s.size:,} pulses were sent with less than {level} in the header, so "
        "nothing was cleaned then; or its transmitter shows no pressure.",
        _NO_AIR_WORK,
        (Quantity("n_without_air", float(at_s.size), "1"),),
        start=context.at(float(at_s[0])),
        end=context.at(float(at_s[-1])),
    )


def _judge_header(context: Context, subject: Subject, media: Fibre, pressure: float) -> Answer:
    low, high = (fact.value for fact in _band(media))
    values = (
        Quantity("before_pa", pressure, "Pa"),
        Quantity("band_low_pa", low, "Pa"),
        Quantity("band_high_pa", high, "Pa"),
    )
    kind = "woven glass" if media is Fibre.GLASS else f"felt ({media.value})"
    gauge = context.units.gauge
    seen = (
        f"pulses start from {gauge.show(pressure)}; usual for {kind} are "
        f"{gauge.number(low, -1)} to {gauge.show(high, -1)}"
    )
    slack = context.limits["slack"]
    if (1 - slack) * low <= pressure <= (1 + slack) * high:
        is_within = low <= pressure <= high
        lead = "As usual" if is_within else f"Within {percent(slack)} of what is usual"
        return Answer.clear(subject, f"{lead}: {seen}.", values)
    setting = context.day.baghouse.pulse_pressure
    stated = "" if setting is None else f" The site file sets {gauge.show(setting)}."
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

_NO_AIR_WORK = work(
    outside="Read the header's gauge, and the pressure ahead of its regulator. With pressure there "
    "the transmitter or its line is at fault; without, look for a closed isolation valve or a "
    "supply that was shut off, and for whether it was meant.",
)

RULE = Rule(
    name="pulse_pressure",
    title="Pulse pressure unusual for the bags",
    chapter=Chapter.AIR,
    looks_for="A header pressure before pulses outside what is usual for the media, or none.",
    needs=(needs_header("to know what pulses start from"),),
    thresholds=(
        limit(
            "no_air",
            "0.1 bar",
            "header pressure below which a pulse has no air",
            chosen="a fifth of the lowest pulse pressures in use; zeros of transmitters drift less",
            dimension=Dimension.PRESSURE,
        ),
        limit(
            "min_pulses",
            "20",
            "pulses without air that count",
            chosen="a controller may be tried out with the air shut",
        ),
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
    excused_off=True,
)
