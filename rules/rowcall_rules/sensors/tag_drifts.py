"""A transmitter that drifts: its zero, or away from another tag of the same gas.

Why: a membrane creeps, electronics age, condensate stands in a line of DP. DP without gas flow must
be about 0, so each stop shows the zero of its transmitter: nothing else in the data is so sure.
Where several tags show the same gas, one that leaves the others over days drifts. Rule out: gas
that another fan or a chimney draws through a stopped unit; a compartment that is really different,
which was so before; a change of range, which is found in DP itself (`rising_residual_dp`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date

from rowcall.diagnosis.sensors.redundant_tags import (
    APART,
    Departure,
    departures,
    scale_of,
    suspects,
)
from rowcall.diagnosis.sensors.sensor_tags import name_of, places_of, running_dp
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension

_NAME = "tag_drifts"
_RULES = (_NAME, "dp_tap_plugged", "tag_stuck")


def judge(context: Context) -> Iterator[Answer]:
    """Answer for each place that has a tag of DP or of inlet temperature."""
    places = places_of(context.day, APART)
    if not places:
        why = "the site file names no tag for DP or inlet temperature"
        yield Answer.cannot_tell(context.subject(), why, Lack.TAG, "DP")
    known, _ = departures(context, _RULES, context.limits["history_days"])
    for compartment in places:
        yield _judged(context, compartment, known)


def _judged(context: Context, compartment: int, known: list[Departure]) -> Answer:
    subject = context.subject(compartment)
    zero = _zero(context, compartment)
    gone = _gone(context, compartment, known)
    values = [] if zero is None else [Quantity("zero", zero[1], "Pa")]
    values += [
        Quantity(f"{one.role.value}_departure", one.value, APART[one.role].value.unit)
        for one in gone
    ]
    said = list(_zero_said(context, compartment, zero))
    roles = [Role.DP] if said else []
    off = [zero[1]] if zero and said else [one.value for one in gone if one.role is Role.DP]
    values += [Quantity("dp_off", abs(one), "Pa") for one in off[:1]]
    for one in gone:
        said.append(_gone_said(context, one))
        roles.append(one.role)
    if said:
        text = f"{'; '.join(said)}."
        condemns = tuple(dict.fromkeys(roles))
        return context.found(
            subject,
            Urgency.WATCH,
            text[0].upper() + text[1:],
            _ACTION,
            values,
            condemns=condemns,
        )
    if zero is None and not any(one.compartment == compartment for one in known):
        why = "no stop of the gas shows the zero of DP, and no tags of the same gas a departure"
        return Answer.cannot_tell(subject, why, Lack.NOTHING)
    return Answer.clear(subject, _clear_said(context, zero), values)


def _clear_said(context: Context, zero: tuple[date, float] | None) -> str:
    if zero is None:
        return "Tags of the same gas read as far apart as usual."
    return f"DP read {context.units.dp.show(zero[1])} as the gas stood still on {zero[0]}."


def _zero(context: Context, compartment: int) -> tuple[date, float] | None:
    """Return the last known zero of DP [Pa] and its day, None without one of late."""
    today = context.facts.of(Fact.DP_ZERO_PA, compartment)
    if not math.isnan(today):
        return context.day.day, today
    days, zeros = context.history.of(Fact.DP_ZERO_PA, compartment)
    if not days or (context.day.day - days[-1]).days > context.limits["zero_days"]:
        return None
    return days[-1], float(zeros[-1])


def _zero_said(
    context: Context, compartment: int, zero: tuple[date, float] | None
) -> Iterator[str]:
    """Say what zero matters and is not what stays in a plugged line."""
    level = running_dp(context, compartment, _RULES)
    if zero is None or math.isnan(level):
        return
    limits, show = context.limits, context.units.dp.show
    low = max(limits["zero"], limits["share"] * level)
    if not low < abs(zero[1]) <= limits["trapped"] * level:
        return
    days, zeros = context.history.of(Fact.DP_ZERO_PA, compartment)
    before = [
        f", before that {show(float(value))} on {day}"
        for day, value in zip(days, zeros, strict=True)
        if day < zero[0]
    ]
    yield (
        f"{name_of(context.day, Role.DP, compartment)} read {show(zero[1])} as the gas stood still "
        f"on {zero[0]}{before[-1] if before else ''}; without gas flow it must be about 0"
    )


def _gone(context: Context, compartment: int, known: list[Departure]) -> list[Departure]:
    """Return the tags of a place that left the others by more than matters, as far as is known."""
    found, limits = [], context.limits
    level = running_dp(context, compartment, _RULES)
    for role in APART:
        enough = limits["warmer"] if role is not Role.DP else limits["share"] * level
        off = [one for one in known if one.role is role and one.surely > enough]
        found += [one for one in suspects(off, role) if one.compartment == compartment]
    return found


def _gone_said(context: Context, one: Departure) -> str:
    scale = scale_of(context.units, one.role)
    which = "" if one.is_odd else " (or the others do; two do not show which)"
    return (
        f"{name_of(context.day, one.role, one.compartment)} reads {scale.show(abs(one.value))} "
        f"(at least {scale.show(one.surely)}) {'more' if one.value > 0 else 'less'} than it used "
        f"to beside the other tags of the same gas{which}"
    )


_ACTION = work(
    outside="Compare with a hand-held gauge or thermometer at the test taps; at the next stop read "
    "DP with the fan at rest. Until it is set right the check-up trusts nothing that rests on this "
    "tag.",
    isolated="drain and blow back the impulse lines, then zero and calibrate the transmitter.",
)

RULE = Rule(
    name=_NAME,
    title="Tag drifts",
    chapter=Chapter.SENSORS,
    looks_for="DP that is not about 0 while the gas stands still, and a tag that leaves the others "
    "of the same gas over days.",
    needs=(),
    thresholds=(
        limit(
            "zero",
            "25 Pa",
            "DP at rest that matters",
            chosen="natural draught through a stopped unit makes less",
            dimension=Dimension.PRESSURE,
        ),
        limit(
            "share",
            "5 %",
            "and as a share of DP while running; also of a departure",
            chosen="below what rules of DP take for a rise",
        ),
        limit(
            "trapped",
            "50 %",
            "of DP while running, above which it is no drift but enclosed in its line",
            chosen="as in `dp_tap_plugged`",
        ),
        limit(
            "zero_days",
            "30",
            "days for which the last zero holds without another stop",
            chosen="a month leaves time for a stop or a calibration",
        ),
        limit(
            "warmer",
            "5 K{difference}",
            "departure of a temperature that matters",
            chosen="compartments differ by less from day to day",
            dimension=Dimension.WARMING,
        ),
        limit("history_days", "5", "days that make a usual one", chosen="a working week"),
    ),
    check_first=(
        "a hand-held gauge or thermometer at the test taps; DP with the fan at rest",
        "isolated: drain and blow back the impulse lines, zero and calibrate the transmitter",
    ),
    confused_with="gas drawn through a stopped unit, a compartment that is really different",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HOT, Caution.COMBUSTIBLE_DUST),
    judge=judge,
    excused_off=True,
    after=("dp_tap_plugged", "tag_stuck"),
)
