"""A plugged DP tap: the transmitter no longer sees the gas.

Why: dust packs the tap or its line, and moisture bakes it in. What is left of the connection lets
pressure through slowly or not at all: turbulence goes first, then the fall at each pulse and the
saw-tooth of cleaning; what pressure is enclosed stays as the fan stops, or wanders with the
temperature of the line, below 0 too. Rule out: damping of the transmitter set up, which takes noise
and the fall at pulses and leaves what takes minutes; valves that do not open, and a unit without
dust, which leave the noise; a stuck value, which is another rule's.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from rowcall.diagnosis.sensors.sensor_tags import name_of, places_of, usual
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
from rowcall.units import percent

_NAME = "dp_tap_plugged"
_RULES = (_NAME, "tag_stuck")
_MIN_SHARE = 0.5  # [-] chosen: of the usual DP; no load and dust that is filtered takes more
_SURE = 2.0  # standard errors; 95 % of a normal distribution lie within
_SIGNS = {
    Fact.DP_NOISE_PA: "its noise",
    Fact.DP_SWING_PA: "its change over ten minutes",
    Fact.DP_FALL_PA: "its fall at pulses",
    Fact.DP_FLOW_GAIN: "its change with flow within half an hour",
}
_OF_DP = tuple(fact for fact in _SIGNS if fact is not Fact.DP_FLOW_GAIN)


def judge(context: Context) -> Iterator[Answer]:
    """Answer for each place that has a tag of DP."""
    places = list(places_of(context.day, (Role.DP,)))
    if not places:
        why = "the site file names no tag for DP"
        yield Answer.cannot_tell(context.subject(), why, Lack.TAG, "DP")
    for compartment in places:
        yield _judged(context, compartment)


def _judged(context: Context, compartment: int) -> Answer:
    subject = context.subject(compartment)
    stuck = context.answers.get("tag_stuck", ())
    if any(Role.DP in one.condemns for one in stuck if one.subject == subject):
        return Answer.cannot_tell(subject, "the tag is stuck at a value", Lack.NOTHING)
    facts, values = context.facts, list(_values(context, compartment))
    tag = name_of(context.day, Role.DP, compartment)
    if why := _at_once(context, compartment) or _gone(context, compartment):
        return context.found(
            subject, Urgency.NOW, f"{tag} {why}.", _ACTION, values, condemns=(Role.DP,)
        )
    if math.isnan(facts.of(Fact.DP_RUNNING_PA, compartment)):
        why = f"{tag} has no value of running gas"
        return Answer.cannot_tell(subject, why, Lack.NOTHING)
    ratios = _ratios(context, compartment)
    if len(ratios) < 2 and not _follows(context, compartment):
        n = len(context.history.of(Fact.DP_NOISE_PA, compartment)[0])
        why = f"{n} days show what its noise and its changes usually are, too few"
        return Answer.cannot_tell(subject, why, Lack.HISTORY, values=values)
    return Answer.clear(subject, f"{tag} moves as gas and cleaning make it.", values)


def _at_once(context: Context, compartment: int) -> str:
    """Say what no DP of running or standing gas can be, else ''."""
    facts, limits = context.facts, context.limits
    level = usual(context, Fact.DP_RUNNING_PA, compartment, _RULES)
    if math.isnan(level):
        level = facts.of(Fact.DP_RUNNING_PA, compartment)
    rest = facts.of(Fact.DP_ZERO_PA, compartment)
    show = context.units.dp.show
    if abs(rest) > limits["trapped"] * abs(level):
        return f"stayed at {show(rest)} while the gas stood still; it is {show(level)} running"
    below = facts.of(Fact.DP_NEGATIVE_SHARE, compartment)
    if below > limits["negative"]:
        return f"was below 0 for {percent(below)} of the time with running gas"
    out = [
        tag
        for tag in context.day.health
        if (tag.role, tag.compartment) == (Role.DP, compartment)
        and tag.n_points
        and tag.n_out_of_range > limits["pegged"] * tag.n_points
    ]
    return "was at the end of its range or beyond for most of the day" if out else ""


def _gone(context: Context, compartment: int) -> str:
    """Say which signs of life are gone, of which noise is one or change with flow; else ''."""
    ratios, limits = _ratios(context, compartment), context.limits
    lag, most = _lag(context, compartment)
    is_late, is_still = most < limits["lags"], most < limits["slower"]
    if is_late and not is_still:  # what load moves in ten minutes may still come through
        ratios.pop(Fact.DP_SWING_PA, None)
    low = {Fact.DP_FALL_PA: limits["gone"]}
    gone = {fact: one for fact, one in ratios.items() if one < low.get(fact, limits["slower"])}
    is_quiet, signs = Fact.DP_NOISE_PA in gone, dict(gone)
    if not is_quiet and is_still:  # what noise there is may be the transmitter's own
        ratios.pop(Fact.DP_NOISE_PA, None)
    is_sure = (is_late and is_quiet) or any(one < limits["gone"] for one in gone.values())
    if is_late:
        signs[Fact.DP_FLOW_GAIN] = most
    is_alive = any(ratio > limits["kept"] for ratio in ratios.values())
    is_alive |= _follows(context, compartment) and lag >= limits["lags"]
    if len(signs) < 2 or not (is_quiet or is_still) or not is_sure or is_alive:
        return ""
    said = (
        f"{_SIGNS[fact]} is {percent(max(one, 0.0))} of the usual" for fact, one in signs.items()
    )
    return f"no longer moves with gas and cleaning: {', '.join(said)}"


def _ratios(context: Context, compartment: int) -> dict[Fact, float]:
    """Return the signs of life over what they usually are, those that are known well enough."""
    found = {}
    for fact in _OF_DP:
        now, before = context.facts.of(fact, compartment), usual(context, fact, compartment, _RULES)
        error = context.facts.of(Fact.DP_FALL_ERROR_PA) if fact is Fact.DP_FALL_PA else 0.0
        if before > 0 and _SURE * error < context.limits["gone"] / 2 * before:
            found[fact] = now / before
    level = usual(context, Fact.DP_RUNNING_PA, compartment, _RULES)
    if Fact.DP_NOISE_PA in found and level > 0:  # turbulence goes with DP
        share = abs(context.facts.of(Fact.DP_RUNNING_PA, compartment)) / level
        found[Fact.DP_NOISE_PA] /= min(max(share, _MIN_SHARE), 1.0)
    return {fact: ratio for fact, ratio in found.items() if not math.isnan(ratio)}


def _follows(context: Context, compartment: int) -> bool:
    gain, error = _gain(context, compartment)
    return gain - _SURE * error > context.limits["follows"]


def _lag(context: Context, compartment: int) -> tuple[float, float]:
    """Return change with flow over the usual, and the most it may be; inf where none is usual."""
    gain, error = _gain(context, compartment)
    before = usual(context, Fact.DP_FLOW_GAIN, compartment, _RULES)
    scatter = usual(context, Fact.DP_FLOW_GAIN_ERROR, compartment, _RULES)
    if not before - _SURE * scatter > context.limits["follows"] or math.isnan(gain + error):
        return math.inf, math.inf
    return gain / before, (gain + _SURE * error) / before


def _gain(context: Context, compartment: int) -> tuple[float, float]:
    """Return the relative change of DP over that of flow, and its standard error."""
    facts = context.facts
    return (
        facts.of(Fact.DP_FLOW_GAIN, compartment),
        facts.of(Fact.DP_FLOW_GAIN_ERROR, compartment),
    )


def _values(context: Context, compartment: int) -> Iterator[Quantity]:
    for fact in (*_OF_DP, Fact.DP_ZERO_PA, Fact.DP_RUNNING_PA):
        value = context.facts.of(fact, compartment)
        if not math.isnan(value):
            yield Quantity(fact.column.removesuffix("_pa"), value, fact.value.unit)


_ACTION = work(
    outside="Compare with a hand-held gauge at the test taps; where DP was below 0, see whether "
    "the lines of its high and low side are crossed. Until it is mended the check-up trusts "
    "nothing that rests on this DP.",
    isolated="blow back the impulse lines with the transmitter valved off, rod out the taps, dry "
    "or renew the lines.",
)

RULE = Rule(
    name=_NAME,
    title="Plugged DP tap",
    chapter=Chapter.SENSORS,
    looks_for="DP that no longer moves with gas, load and cleaning, stays as the gas stands still, "
    "is below 0 while it flows, or at the end of its range.",
    needs=(),
    thresholds=(
        limit(
            "gone",
            "40 %",
            "of the usual, below which one of noise, change and fall at pulses must be",
            chosen="load and dust halve them at most",
        ),
        limit(
            "slower",
            "70 %",
            "of the usual, below which change over ten minutes and noise are less",
            chosen="a line that leaks still follows what load does in hours",
        ),
        limit(
            "kept",
            "80 %",
            "of the usual, above which fall at pulses or change shows a free tap",
            chosen="damping of a minute leaves 95 % of the change",
        ),
        limit(
            "follows",
            "0.3",
            "relative change of DP over that of flow that shows a free tap",
            chosen="DP goes with flow or faster; cleaning takes some of it back",
        ),
        limit(
            "lags",
            "90 %",
            "of the usual, below which change of DP with flow within half an hour comes late",
            chosen="a lag of 10 min leaves 70 %, damping of a minute 97 %",
        ),
        limit(
            "trapped",
            "50 %",
            "of DP while running that stays as the gas stands still",
            chosen="a zero that drifts is far smaller",
        ),
        limit(
            "negative",
            "50 %",
            "share of the time running with DP below 0",
            chosen="most of the day",
        ),
        limit("pegged", "50 %", "share of the points at the end of range", chosen="most of them"),
        limit("history_days", "3", "days that make a usual one", chosen="as few as scatter shows"),
    ),
    check_first=(
        "a hand-held gauge at the test taps",
        "isolated: blow back the impulse lines, rod out the taps, dry or renew the lines",
    ),
    confused_with="damping of the transmitter, valves that do not open, no dust; beyond its range: "
    "DP that is really so high",
    cautions=(
        Caution.LOCKOUT,
        Caution.CONFINED_SPACE,
        Caution.STORED_AIR,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    judge=judge,
    excused_off=True,
    after=("tag_stuck",),
)
