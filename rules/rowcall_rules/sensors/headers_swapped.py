"""Header pressure tags of two or more compartments mixed up: wires, channels or names.

Why: a pulse takes its air from the header of its own row. A tag that falls at the pulses of another
compartment and not at those of its own shows that compartment's header, and whose tag shows this
one is seen alike, so that the mix-up closes in a ring. Row by row it would look as if no row
answered. Rule out: a compartment without air, whose header falls a little at the others' pulses by
their common supply, but whose own pulses no other tag shows; pulses of compartments that fall
together in time; a clock that is off by the time between them. Bits or outputs of the compartments
mixed up in place of the transmitters show the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from rowcall.diagnosis.headers import headers_of
from rowcall.diagnosis.sensors.sensor_tags import name_of
from rowcall.events.headers.whose_pulses import SURE, TIMES
from rowcall.model import (
    Answer,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Need,
    Quantity,
    Rule,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role


def judge(context: Context) -> Iterator[Answer]:
    """Answer for each header; for the baghouse where there is one only."""
    headers = headers_of(context.day)
    if len(headers) == 1:
        yield Answer.clear(
            context.subject(headers[0]), "One header: there is none to mix it up with."
        )
        return
    seen = {header: _seen(context, header) for header in headers}
    shows = {header: one.shows for header, one in seen.items()}
    for header, one in seen.items():
        yield _judged(context, one, _ring(header, shows), shows)


@dataclass(frozen=True, slots=True)
class _Seen:
    """One header's falls at pulses [Pa], and the header that its tag shows, None where unclear."""

    header: int
    own: float
    other: float
    most_of: float
    shows: int | None

    @property
    def values(self) -> list[Quantity]:
        """As the answer holds them."""
        return [Quantity("own_fall", self.own, "Pa"), Quantity("other_fall", self.other, "Pa")]


def _seen(context: Context, header: int) -> _Seen:
    facts, limits = context.facts, context.limits
    own, other = (
        facts.of(fact, header) for fact in (Fact.HEADER_OWN_FALL_PA, Fact.HEADER_OTHER_FALL_PA)
    )
    most_of = facts.of(Fact.HEADER_OTHER, header)
    least = limits["sure"] * facts.of(Fact.HEADER_FALL_ERROR_PA, header)
    shows = None
    if own > max(least, limits["times"] * other):
        shows = header
    elif other > max(least, limits["times"] * own):
        shows = int(most_of)
    return _Seen(header, own, other, most_of, shows)


def _ring(header: int, shows: Mapping[int, int | None]) -> list[int]:
    """Return the headers whose tags show each other in turn, from one on; none without a ring."""
    ring, at = [header], shows[header]
    while at is not None and at not in ring:
        ring.append(at)
        at = shows.get(at)
    return ring if at == header else []


def _judged(
    context: Context, seen: _Seen, ring: list[int], shows: Mapping[int, int | None]
) -> Answer:
    subject, show = context.subject(seen.header), context.units.pressure.show
    if math.isnan(seen.own):
        return _unknown(context, seen.header)
    if len(ring) > 1:
        return _found(context, seen, ring, is_every=len(ring) == len(shows))
    if ring:
        text = f"Falls by {show(seen.own)} at the pulses of its own rows, on average."
        return Answer.clear(subject, text, seen.values)
    if all(one == header for header, one in shows.items() if header != seen.header):
        text = "Every other header's tag shows the pulses of its own rows: none is left to swap."
        return Answer.clear(subject, text, seen.values)
    why = (
        f"its pressure falls by {show(max(seen.own, 0.0))} at the pulses of its own rows and by "
        f"{show(max(seen.other, 0.0))} at those of {_rows_of(seen.most_of)}, which shows no header "
        "for sure"
    )
    return Answer.cannot_tell(subject, why, Lack.NOTHING, values=seen.values)


def _unknown(context: Context, header: int) -> Answer:
    subject, day = context.subject(header), context.day
    if not day.fires_known or day.inferred:
        why = (
            "neither bits nor counters record every pulse, so nothing shows whose pulses these are"
        )
        return Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
    why = "too few pulses have points of header pressure beside them, here or on the other headers"
    return Answer.cannot_tell(subject, why, Lack.NOTHING)


def _found(context: Context, seen: _Seen, ring: list[int], *, is_every: bool) -> Answer:
    show, day = context.units.pressure.show, context.day
    pairs = zip(ring, [*ring[1:], ring[0]], strict=True)
    said = (f"{name_of(day, Role.HEADER_PRESSURE, tag)} shows {_rows_of(of)}" for tag, of in pairs)
    text = f"{'; '.join(said)}."
    return context.found(
        context.subject(seen.header),
        Urgency.NOW,
        f"{text[0].upper()}{text[1:]} Here pressure falls by {show(seen.other)} at the pulses of "
        f"{_rows_of(seen.most_of)}, and by {show(max(seen.own, 0.0))} at those of its own."
        + (_CLOCKS if is_every else ""),
        _ACTION,
        seen.values,
        condemns=(Role.HEADER_PRESSURE,),
    )


def _rows_of(header: float) -> str:
    return f"compartment {header:.0f}" if header else "the common header"


_CLOCKS = " Clocks of bits and pressure that are minutes or hours apart may show the same."
_ACTION = work(
    outside="Compare the names of these tags in control system, export and site file, and the "
    "display of each transmitter with its tag while one compartment alone is pulsed. If they are "
    "right, compare the names of the solenoid bits, and the clocks of bits and pressure. Until "
    "then no row of these compartments is judged.",
    isolated="channels, wiring and terminals of the transmitters, or of the outputs, by "
    "electricians.",
)

RULE = Rule(
    name="headers_swapped",
    title="Header tags swapped",
    chapter=Chapter.SENSORS,
    looks_for="A header pressure that falls at the pulses of another compartment instead of its "
    "own, and the other way round.",
    needs=(
        Need(
            any_of=(Role.HEADER_PRESSURE,),
            purpose="to see at whose pulses it falls",
            max_step_s=30.0,  # chosen: between coarser points a pulse has recovered
        ),
    ),
    thresholds=(
        limit(
            "times",
            f"{TIMES:g}",
            "times the fall at any other header's pulses that shows a tag's header",
            chosen="a common supply passes on less of a pulse; by trial",
        ),
        limit(
            "sure",
            f"{SURE:g}",
            "and standard errors",
            chosen="asked of each header every day of the year",
        ),
    ),
    check_first=(
        "the names of the tags in control system, export and site file",
        "the display of each transmitter while one compartment alone is pulsed",
        "the names of the solenoid bits; the clocks of bits and pressure",
        "isolated: channels, wiring and terminals",
    ),
    confused_with="outputs or bits of the compartments swapped; clocks apart by the time between "
    "the pulses of two compartments",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HOT),
    judge=judge,
    excused_off=True,
)
