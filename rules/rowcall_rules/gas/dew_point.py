"""Gas below its dew point of water or of sulphuric acid, in starts, in stops and in operation.

Why: below the water dew point a film of water makes the cake a paste that pulses do not remove
(blinding), and carries salts and acid into the cloth; below the acid dew point, tens of degrees
higher, acid attacks fibres and casing. Every start passes both; what counts is for how long. The
acid's is known by correlations that lie some degrees apart, all of which are quoted. Rule out: a
start on clean, dry air, which has no such dew points, and moisture stated too high.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from rowcall.events.operation.dew_hours import dew_hours
from rowcall.events.operation.gas_seconds import GasSeconds, gas_seconds
from rowcall.events.operation.start_events import cold_events
from rowcall.media import RESISTANCE, SOURCE
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Floats,
    Lack,
    Need,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.site import Baghouse, Role
from rowcall.units import Dimension, Units, percent, show

_MOISTURE = '`gas_moisture = "8 %"`, by volume'
_SO3 = '`gas_so3 = "5 [ppm]"`'
_NAMES = {"start": "in starts", "stop": "in stops", "operation": "in operation"}


@dataclass(frozen=True, slots=True)
class _Cold:
    """Time with gas below a limit [s]: of each start and stop, and in operation; and when."""

    start: tuple[float, ...]
    stop: tuple[float, ...]
    operation: tuple[float, ...]
    first_s: float
    last_s: float

    @property
    def longest(self) -> float:
        """Of one start or stop."""
        return max((*self.start, *self.stop), default=0.0)

    def words(self) -> str:
        """Write the time by when it was."""
        parts = [(name, getattr(self, kind)) for kind, name in _NAMES.items()]
        shown = [f"{_minutes(sum(each))} {name}" for name, each in parts if sum(each) >= 60]
        return ", ".join(shown) or "for less than a minute"


def judge(context: Context) -> Iterator[Answer]:
    """Answer for the baghouse by the dew points that the site file lets it know."""
    house, subject = context.day.baghouse, context.subject()
    gas = gas_seconds(house, context.day.signals, context.day.seconds)
    dew = dew_hours(house, context.day.signals, context.day.seconds) if gas is None else gas.dew
    if not np.isfinite(dew.water_c).any():
        why = (
            f"neither a tag nor the site file gives the moisture of the gas; the line {_MOISTURE}, "
            "would change that"
        )
        yield Answer.cannot_tell(
            subject, why, Lack.SITE_KEY, f"the moisture of the gas ({_MOISTURE})"
        )
        return
    if gas is None:
        why = "no tag shows when gas flowed"
        yield Answer.cannot_tell(subject, why, Lack.TAG, "gas flow")
        return
    yield _judge(context, house, gas)


def _judge(context: Context, house: Baghouse, gas: GasSeconds) -> Answer:
    limits, units, subject = context.limits, context.units, context.subject()
    water_c, acids_c = float(np.nanmedian(gas.dew.water_c)), gas.dew.acid_spread_c()
    water = _cold(context, gas, gas.water_c + limits["water_margin"])
    acid = _cold(context, gas, gas.acid_c + limits["acid_margin"]) if acids_c.size else None
    text = f"gas below the water dew point of {_range(units, gas.dew.water_c)}"
    text += _margin(units, limits["water_margin"]) + f": {water.words()}"
    if acid is None:
        text += f"; the acid dew point is not known ({_SO3} in the site file would give it)"
    else:
        text += f"; below the acid dew point of {_spread(units, acids_c)}"
        text += _margin(units, limits["acid_margin"]) + f": {acid.words()}"
    if gas.dew.by_tag:
        text += "; by the hour, of what tags show of the gas"
    if house.so3_per_so2 and Role.SO2 in {role for role, *_ in context.day.signals}:
        text += f"; {percent(house.so3_per_so2)} of SO2 taken as SO3, an assumption"
    values = tuple(_values(water_c, acids_c, water, acid))
    found = _verdict(context, water, acid)
    if found is not None:
        lead, urgency, seen = found
        return context.found(
            subject,
            urgency,
            f"{lead}: {text}.{_media(house, is_acid=seen is acid)}",
            _ACTION,
            values,
            start=context.at(seen.first_s),
            end=context.at(seen.last_s),
        )
    known = np.isfinite(gas.inlet_c)[gas.is_moving]
    if known.size and known.mean() < limits["covered"]:
        why = f"inlet temperature is known for {percent(known.mean())} of the gas; so far {text}"
        return Answer.cannot_tell(subject, why, Lack.COVERAGE, "inlet temperature")
    return Answer.clear(subject, f"As it should be: {text}.", values)


def _cold(context: Context, gas: GasSeconds, limit_c: Floats) -> _Cold:
    is_cold = gas.below(limit_c)
    at = np.flatnonzero(is_cold)
    of: dict[str, list[float]] = {"start": [], "stop": []}
    for kind, begin, end in cold_events(gas, context.day.starts, limit_c):
        of[kind].append(float(is_cold[begin:end].sum()))
        is_cold[begin:end] = False
    ends = (float(at[0]), float(at[-1] + 1)) if at.size else (0.0, 0.0)
    return _Cold(tuple(of["start"]), tuple(of["stop"]), (float(is_cold.sum()),), *ends)


def _verdict(
    context: Context, water: _Cold, acid: _Cold | None
) -> tuple[str, Urgency, _Cold] | None:
    """Return what is found, most pressing first, with its urgency and when; None for nothing."""
    limits, film = context.limits, sum(water.operation)
    if film >= limits["water_operation"]:
        is_long = film >= limits["water_now"]
        urgency = Urgency.NOW if is_long else Urgency.NEXT_OUTAGE
        return "Water film in operation", urgency, water
    if water.longest >= limits["water_start"]:
        return "Water film in a start or stop", Urgency.WATCH, water
    if acid is None:
        return None
    if sum(acid.operation) >= limits["acid_operation"]:
        return "Acid film in operation", Urgency.WATCH, acid
    usual_s = 60 * context.history.usual(
        Fact.ACID_START_MIN, 0, 0, quantile=0.5, min_days=limits["history_starts"]
    )
    start_s = 60 * context.facts.of(Fact.ACID_START_MIN)
    is_longer = start_s >= limits["longer"] * usual_s
    if not (is_longer and start_s >= usual_s + limits["longer_by"]):
        return None
    lead = f"A start was {_minutes(start_s)} below the acid dew point, usually {_minutes(usual_s)}"
    return lead, Urgency.WATCH, acid


def _values(
    water_c: float, acids_c: Floats, water: _Cold, acid: _Cold | None
) -> Iterator[Quantity]:
    yield Quantity("water_dew_point", water_c, "Cel")
    yield from _of("water", water)
    if acid is not None:
        yield Quantity("acid_dew_point_low", float(acids_c[0]), "Cel")
        yield Quantity("acid_dew_point_high", float(acids_c[-1]), "Cel")
        yield from _of("acid", acid)


def _of(name: str, cold: _Cold) -> Iterator[Quantity]:
    yield Quantity(f"below_{name}", sum((*cold.start, *cold.stop, *cold.operation)), "s")
    for kind in _NAMES:
        yield Quantity(f"below_{name}_{kind}", sum(getattr(cold, kind)), "s")


def _minutes(seconds: float) -> str:
    return show(seconds, "min", 0 if seconds >= 600 else 1)


def _margin(units: Units, margin_k: float) -> str:
    return f" plus {units.warming.show(margin_k)}" if margin_k else ""


def _range(units: Units, by_hour: Floats) -> str:
    low, high = (float(end(by_hour)) for end in (np.nanmin, np.nanmax))
    few, shown = units.temperature.number(low), units.temperature.show(high)
    return shown if shown.startswith(f"{few} ") else f"{few} to {shown}"


def _spread(units: Units, acids_c: Floats) -> str:
    low, high = units.temperature.number(acids_c[0]), units.temperature.show(acids_c[-1])
    n = {2: "two", 3: "three"}[acids_c.size]
    return f"{low} to {high} by {n} correlations"


def _media(house: Baghouse, *, is_acid: bool) -> str:
    """Say what it means for the bags in place."""
    text = "" if is_acid else " A water film blinds bags of any fibre."
    if house.media is None:
        return f"{text} Which acids and alkalis the bags bear depends on their fibre (`media`)."
    acid, alkali = RESISTANCE[house.media]
    fibre = house.media.value
    return f"{text} Bags of {fibre}: resistance to acids {acid}, to alkalis {alkali} ({SOURCE})."


_ACTION = work(
    outside="Check heating and insulation, how the start was made (clean, dry air before process "
    "gas, hopper heaters on, no pulses before it is warm) and what brought moisture (spray cooler, "
    "wet feed, leaks of air); watch residual DP this week.",
    isolated="cake and casing for wet or rusty spots, a bag for a laboratory test.",
)

RULE = Rule(
    name="dew_point",
    title="Gas below a dew point",
    chapter=Chapter.TEMPERATURE,
    looks_for="Time with gas below its dew points of water and acid, in starts, stops and "
    "operation.",
    needs=(
        Need(
            any_of=(Role.INLET_TEMPERATURE,),
            purpose="to compare with the dew points",
            max_step_s=300.0,  # chosen: a start passes the water dew point within minutes
        ),
    ),
    thresholds=(
        limit(
            "water_margin",
            "5 K{difference}",
            "above the water dew point, below which a film of water is assumed",
            chosen="walls and bags at a cold spot are some kelvin colder than gas at the inlet",
            dimension=Dimension.WARMING,
        ),
        limit(
            "acid_margin",
            "0 K{difference}",
            "above the middle one of the acid dew points, below which acid is assumed",
            chosen="the correlations lie as far apart as a margin would be",
            dimension=Dimension.WARMING,
        ),
        limit(
            "water_operation",
            "10 min",
            "water film in operation: next outage",
            chosen="shorter is a dip that the warm cake dries again",
            dimension=Dimension.TIME,
        ),
        limit(
            "water_now",
            "60 min",
            "water film in operation: now",
            chosen="by then it is the way the unit is run, and each hour adds paste",
            dimension=Dimension.TIME,
        ),
        limit(
            "water_start",
            "10 min",
            "water film in one start or stop: watch",
            chosen="a unit that is heated up first passes it within minutes",
            dimension=Dimension.TIME,
        ),
        limit(
            "acid_operation",
            "60 min",
            "acid in operation: watch",
            chosen="shorter is a dip; alkaline dust takes up some",
            dimension=Dimension.TIME,
        ),
        limit(
            "longer",
            "1.5",
            "ratio to the usual start below the acid dew point",
            chosen="starts differ by the time that the unit stood",
        ),
        limit(
            "longer_by",
            "10 min",
            "and longer than it by at least this",
            chosen="less matters to nobody",
            dimension=Dimension.TIME,
        ),
        limit(
            "history_starts",
            "3",
            "days with a start that make the usual one",
            chosen="fewer may all be of one kind",
        ),
        limit(
            "covered",
            "90 %",
            "share of the time with gas that must be known to call it clear",
            chosen="a tenth of a day of unknown gas may hide a wet one",
        ),
    ),
    check_first=(
        "how the start was made: heating before gas, pulsing held off",
        "moisture of the gas as the site file states it; spray cooler, wet feed",
        "insulation and heating of casing and hopper, cold air that leaks in",
        "isolated: cake and casing for wet spots, a bag to a laboratory",
    ),
    confused_with="a start on clean, dry air; moisture stated too high",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    references=(
        "water: Magnus formula, Sonntag 1990, WMO-No. 8",
        "acid: Verhoff and Banchero 1974, Okkes 1987, ZareNezhad 2009",
        f"resistance of fibres: {SOURCE}",
    ),
    judge=judge,
    uses=(Role.GAS_FLOW,),
)
