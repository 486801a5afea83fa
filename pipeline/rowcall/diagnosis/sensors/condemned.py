"""Tags that rules of sensors condemned: what rests on them is not judged on that day.

This is the one place of it. A rule says by its needs, and by `uses`, what roles it rests on, and
by `does_without` of which it is only asked without them; which tag of a role serves a place is the
same for all rules.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from rowcall.diagnosis.sensors.sensor_tags import name_of
from rowcall.model import (
    Answer,
    BaghouseDay,
    Context,
    Fact,
    FactBook,
    History,
    Lack,
    Rule,
    Subject,
    Verdict,
)
from rowcall.model.restart import DP_FACTS, HEADER_FACTS
from rowcall.site import ROLES, Role

Place = tuple[Role, int]

_OF_DP = tuple(fact.column for fact in (*DP_FACTS, Fact.START_DP_PA, Fact.STOP_DP_PA))
_OF_HEADERS = tuple(fact.column for fact in HEADER_FACTS)
_HEADERS = (Role.HEADER_PRESSURE,)
_PAIR = 2  # compartments: what is wrong of one is wrong of the other against it


@dataclass(frozen=True, slots=True)
class Condemned:
    """By (role, compartment), 0 the whole baghouse: the title of the rule that found it."""

    by_place: Mapping[Place, str] = field(default_factory=dict)

    def plus(self, rule: Rule, answers: Sequence[Answer]) -> Condemned:
        """Return these and what a rule's answers condemn."""
        found = {
            (role, answer.subject.compartment): rule.title
            for answer in answers
            for role in answer.condemns
        }
        return Condemned({**found, **self.by_place})


def without_condemned(rule: Rule, context: Context, condemned: Condemned) -> Context:
    """Return the context of a rule without what it can do without, and without condemned headers.

    So what is usual among headers and rows is that of the others.
    """
    (dp,) = _serving(context.day, Role.DP, 0) or [(Role.DP, 0)]
    if Role.DP in rule.does_without and dp in condemned.by_place:
        context = _without_dp(context)
    headers = [c for role, c in condemned.by_place if role is Role.HEADER_PRESSURE and c]
    if not headers or not any(need.any_of == _HEADERS for need in rule.needs):
        return context
    is_sound = ~pl.col("compartment").is_in(headers)
    day = context.day
    day = replace(day, facts=day.facts.filter(is_sound), hours=day.hours.filter(is_sound))
    return replace(context, day=day, facts=FactBook(day.facts))


def _without_dp(context: Context) -> Context:
    day, column = context.day, ROLES[Role.DP].minute_column
    day = replace(
        day,
        facts=day.facts.filter(~pl.col("name").is_in(_OF_DP)),
        minutes=day.minutes.drop(column or (), strict=False),
        signals={place: one for place, one in day.signals.items() if place[0] is not Role.DP},
    )
    return replace(context, day=day, facts=FactBook(day.facts))


def sound_history(day: BaghouseDay, sensor_rules: Collection[Rule]) -> History:
    """Return the history without the facts of DP, and of headers, of days on which its tags failed.

    Of DP flow and temperature count too: its facts are corrected for them. So a transmitter that is
    set right makes no step of drag, and a header that was mixed up with another no slow refill.
    """
    history, places = day.history, {0, *(c for _, c in _serving(day, Role.DP, 0))}
    found = history.verdicts.filter(
        pl.col("rule").is_in([rule.name for rule in sensor_rules])
        & (pl.col("verdict") == Verdict.FOUND.value)
    )
    if found.is_empty():
        return history
    here = found.filter(pl.col("compartment").is_in(list(places)))
    is_of_dp = pl.col("name").is_in(_OF_DP)
    is_off = pl.col("day").is_in(here["day"].unique().to_list())
    is_here = pl.col("compartment").is_in(list(places))
    is_cut = (is_of_dp & is_off & is_here) | _of_headers(found, sensor_rules)
    return replace(history, facts=history.facts.filter(~is_cut))


def _of_headers(found: pl.DataFrame, sensor_rules: Collection[Rule]) -> pl.Expr:
    """Facts of a header on days on which a rule that judges headers alone found something of it."""
    alone = [rule.name for rule in sensor_rules if {n.any_of for n in rule.needs} == {_HEADERS}]
    by_header = found.filter(pl.col("rule").is_in(alone)).group_by("compartment").agg("day")
    is_off = (
        (pl.col("compartment") == compartment) & pl.col("day").is_in(days)
        for compartment, days in by_header.iter_rows()
    )
    return pl.col("name").is_in(_OF_HEADERS) & pl.any_horizontal(pl.lit(value=False), *is_off)


def distrusted(rule: Rule, day: BaghouseDay, answer: Answer, condemned: Condemned) -> Answer:
    """Return the answer, or that it cannot be given where it rests on a condemned tag."""
    place = next(_rests_on(rule, day, answer.subject, condemned), None)
    if place is None:
        return answer
    name = name_of(day, *place)
    why = f"{name} is not trusted on this day: {condemned.by_place[place]}"
    return Answer.cannot_tell(answer.subject, why, Lack.SENSOR, name)


def _rests_on(
    rule: Rule, day: BaghouseDay, subject: Subject, condemned: Condemned
) -> Iterator[Place]:
    """Yield the condemned tags without which a rule has nothing to judge a subject by."""
    if not condemned.by_place:
        return
    asked = [need.any_of for need in rule.needs if need.any_of]
    for roles in [*asked, *((role,) for role in rule.uses)]:
        serving = [place for role in roles for place in _serving(day, role, subject.compartment)]
        bad = [place for place in serving if place in condemned.by_place]
        if bad and len(bad) == len(serving):
            yield bad[0]
    if subject.compartment and day.baghouse.compartments == _PAIR:
        yield from (place for place in condemned.by_place if place[0] in rule.uses)


def _serving(day: BaghouseDay, role: Role, compartment: int) -> list[Place]:
    """Return the tags of a role that show a compartment, or the baghouse where it is 0.

    Of the whole baghouse a slow signal is that of the first tag, whose facts are the baghouse's;
    all headers show it together.
    """
    have = sorted({t.compartment or 0 for t in day.baghouse.tag if t.role is role})
    if compartment in have:
        return [(role, compartment)]
    if compartment and 0 in have:
        return [(role, 0)]
    is_slow = ROLES[role].minute_column is not None
    return [(role, one) for one in (have[:1] if is_slow else have)]
