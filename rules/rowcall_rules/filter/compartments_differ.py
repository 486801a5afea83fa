"""One compartment is cleaned, fed with air or heated otherwise than the others of its casing.

Why: compartments hang between the same two ducts and take turns at the same controller, so each of
their rows is pulsed as often, with as much air, at the same DP and with outlets as warm. One that
departs from that has a controller, a damper or a share of gas of its own. How they differ by build
is their own usual of earlier days. Rule out: a compartment that was off line or off on purpose for
part of the day, one of other rows (numbers are of a row). A colder outlet is `cold_compartment`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rowcall.diagnosis.rise import AgainstUsual, against_usual
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


@dataclass(frozen=True, slots=True)
class _Measure:
    """A number of compartments against the others, in words; `both_ways`: less counts too."""

    fact: Fact
    words: str
    key: str
    both_ways: bool = True


_MEASURES = (
    _Measure(Fact.PULSES_TO_PEERS, "its rows are pulsed {} times as often as those of", "pulses"),
    _Measure(Fact.AIR_TO_PEERS, "its rows take {} times the air of those of", "air"),
    _Measure(Fact.DP_TO_PEERS, "its DP is {} times that of", "dp"),
    _Measure(
        Fact.OUTLET_TO_PEERS_K, "its outlet is {} warmer than that of", "outlet", both_ways=False
    ),
)
_MIN_COMPARTMENTS = 3  # of two, less in one is more in the other


def judge(context: Context) -> Iterator[Answer]:
    """Answer for each compartment of a casing of several."""
    house, subject = context.day.baghouse, context.subject()
    if not context.day.signals:
        yield Answer.cannot_tell(subject, "there is no usable data of the day", Lack.NOTHING)
        return
    if house.compartments < 2:
        yield Answer.clear(subject, "One compartment only: there is none to compare it with.")
        return
    every = range(1, house.compartments + 1)
    known = [c for c in every if any((one.fact, c, 0) in context.facts for one in _MEASURES)]
    if off := [c for c in every if context.off(c)]:
        why = f"compartment {off[0]} was off on purpose in some of the day (work log)"
        yield Answer.cannot_tell(subject, why, Lack.NOTHING)
    elif len(known) < 2:
        why = (
            "pulses, DP, outlet temperature and headers of at least two compartments are not known "
            "for the same hours on line"
        )
        of = "DP or outlet temperature of each compartment"
        yield Answer.cannot_tell(subject, why, Lack.TAG, of)
    else:
        yield from (_judged(context, c) for c in known)


def _judged(context: Context, compartment: int) -> Answer:
    subject, seen = context.subject(compartment), []
    days = context.limits["history_days"]
    is_two = context.day.baghouse.compartments < _MIN_COMPARTMENTS
    for one in _MEASURES:
        sides = (True, False) if one.both_ways and not is_two else (True,)
        for up in sides:
            beside = against_usual(context, one.fact, compartment, up=up, days=days)
            if beside is not None and not (is_two and one.fact is Fact.OUTLET_TO_PEERS_K):
                seen.append((one, up, beside))
    if not seen:
        return Answer.cannot_tell(
            subject,
            f"how it differs from the others is not known from {days:.0f} earlier days",
            Lack.HISTORY,
        )
    values = tuple(
        Quantity(one.key, beside.now, one.fact.value.unit) for one, up, beside in seen if up
    )
    if (error := context.facts.get((Fact.DP_TO_PEERS_ERROR, compartment, 0))) is not None:
        values = (*values, Quantity("dp_error", error, "1"))
    odd = [
        _words(context, one, beside)
        for one, up, beside in seen
        if (beside.now > beside.usual) is up and beside.is_beyond(context.limits[one.key])
    ]
    if not odd:
        shown = "; ".join(_words(context, one, beside) for one, up, beside in seen if up)
        return Answer.clear(subject, f"As usual: {shown}.", values)
    text = "; ".join(odd)
    which = " Which of the two is the odd one does not show." if is_two else ""
    return context.found(
        subject, Urgency.WATCH, f"{text[0].upper()}{text[1:]}.{which}", _ACTION, values
    )


def _words(context: Context, one: _Measure, beside: AgainstUsual) -> str:
    if one.fact is Fact.OUTLET_TO_PEERS_K:
        now, usual = (context.units.warming.show(x, 1) for x in (beside.now, beside.usual))
    else:
        now, usual = f"{beside.now:.2f}", f"{beside.usual:.2f}"
    return f"{one.words.format(now)} the other compartments (usually {usual})"


_ACTION = work(
    outside="Compare the compartment's settings, damper positions and header pressure with those "
    "of the others at the controller; see whether its hopper empties.",
    isolated="its dampers, and its bags against those of another compartment.",
)

RULE = Rule(
    name="compartments_differ",
    title="Compartments differ",
    chapter=Chapter.CLEANING,
    looks_for="A compartment pulsed more or less often, with more or less air, at another DP or "
    "with a warmer outlet than the others, and than it usually is against them.",
    needs=(),
    thresholds=(
        limit("pulses", "0.25", "change of the ratio of pulses", chosen="a row in four or more"),
        limit(
            "air", "0.3", "change of the ratio of air", chosen="pressure differs by some per cent"
        ),
        limit(
            "dp",
            "0.12",
            "change of the ratio of DP",
            chosen="transmitters differ by a few per cent",
        ),
        limit(
            "outlet",
            "8 K{difference}",
            "change of the outlet temperature against the others",
            chosen="more than load and weather make between compartments",
            dimension=Dimension.WARMING,
        ),
        limit(
            "history_days",
            "7",
            "earlier days that make the usual",
            chosen="a week holds its weekend",
        ),
    ),
    check_first=(
        "settings, damper positions and header pressure of that compartment against the others",
        "its hopper: level and discharge",
        "isolated: its dampers and bags",
    ),
    confused_with="a compartment off line for part of the day, another number of rows",
    cautions=(
        Caution.LOCKOUT,
        Caution.STORED_AIR,
        Caution.CONFINED_SPACE,
        Caution.HOT,
        Caution.COMBUSTIBLE_DUST,
        Caution.BREATHING,
    ),
    judge=judge,
    uses=(Role.DP, Role.OUTLET_TEMPERATURE, Role.HEADER_PRESSURE),
)
