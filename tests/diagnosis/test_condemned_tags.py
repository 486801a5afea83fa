"""What rests on a tag that a rule of sensors condemned is not judged; the rest is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from helpers.sensor_days import fact_day, found_before, house, tag

from rowcall.diagnosis.diagnose import diagnose, in_order
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import (
    Answer,
    Chapter,
    Context,
    Fact,
    Finding,
    Lack,
    Need,
    Rule,
    Signal,
    Subject,
    TagHealth,
    Urgency,
    Verdict,
)
from rowcall.site import Baghouse, Role

PLACES = ((0, 0), (1, 0), (1, 3), (2, 0))
HOUSE = house(
    tag(Role.DP),
    tag(Role.DP, 2),
    tag(Role.GAS_FLOW),
    tag(Role.HEADER_PRESSURE, 1),
    tag(Role.HEADER_PRESSURE, 2),
)


def rule(name: str, chapter: Chapter, *needs: Role, uses: tuple[Role, ...] = ()) -> Rule:
    def judge(context: Context) -> Iterator[Answer]:
        for place in PLACES:
            known = (Fact.DROP_PA, *place) in context.facts
            yield context.found(context.subject(*place), Urgency.NOW, f"{known}", "Look.")

    return Rule(
        name=name,
        title=name,
        chapter=chapter,
        looks_for="",
        needs=tuple(Need(any_of=(role,), purpose="to see") for role in needs),
        uses=uses,
        thresholds=(),
        check_first=("look",),
        confused_with="",
        cautions=(),
        judge=judge,
    )


def condemning(role: Role, compartment: int) -> Rule:
    def judge(context: Context) -> Iterator[Answer]:
        subject = context.subject(compartment)
        yield context.found(subject, Urgency.WATCH, "Off.", "Look.", condemns=(role,))

    return replace(rule("Tag drifts", Chapter.SENSORS), judge=judge)


def judged(one: Rule, *sensors: Rule, baghouse: Baghouse = HOUSE) -> dict[tuple[int, int], Finding]:
    signal = Signal(np.arange(0.0, 86_400.0, 60.0), np.ones(1440))
    places = [(t.role, t.compartment or 0, 0) for t in baghouse.tag]
    day = replace(
        fact_day(
            baghouse,
            {(Fact.DROP_PA, 1): 1.0, (Fact.DROP_PA, 2): 1.0, (Fact.START_DP_PA, 0): 1200.0},
        ),
        signals=dict.fromkeys(places, signal),
        health=tuple(TagHealth(f"{p}", *p, 1440, 0, 0, 1.0, 60.0) for p in places),
    )
    rules = [one, *sensors]
    found = diagnose(rules, {each.name: {} for each in rules}, [day])
    return {
        (each.answer.subject.compartment, each.answer.subject.row): each
        for each in found
        if each.rule == one.name
    }


def unjudged(found: dict[tuple[int, int], Finding]) -> set[tuple[int, int]]:
    return {place for place, one in found.items() if one.answer.lack is Lack.SENSOR}


@pytest.mark.parametrize(
    ("role", "compartment", "places"),
    [
        (Role.DP, 0, {(0, 0), (1, 0), (1, 3)}),  # compartment 2 has its own
        (Role.DP, 2, {(2, 0)}),  # the baghouse's facts are those of the first tag
    ],
)
def test_what_rests_on_a_condemned_tag_is_not_judged(
    role: Role, compartment: int, places: set[tuple[int, int]]
) -> None:
    found = judged(rule("machine", Chapter.DP, role), condemning(role, compartment))
    assert unjudged(found) == places
    text = next(one.answer.text for one in found.values() if one.answer.lack is Lack.SENSOR)
    name = f"DP ({role.name}-{compartment})"
    assert text == f"Cannot tell: {name} is not trusted on this day: Tag drifts."
    rest = {one.answer.verdict for place, one in found.items() if place not in places}
    assert rest == {Verdict.FOUND}


def test_without_a_common_tag_the_first_one_stands_for_the_baghouse() -> None:
    two = house(tag(Role.DP, 1), tag(Role.DP, 2))
    one = rule("machine", Chapter.DP, Role.DP)
    for compartment, places in ((1, {(0, 0), (1, 0), (1, 3)}), (2, {(2, 0)})):
        found = judged(one, condemning(Role.DP, compartment), baghouse=two)
        assert unjudged(found) == places


def test_a_rule_that_does_not_need_it_is_not_touched() -> None:
    other = rule("machine", Chapter.AIR, Role.HEADER_PRESSURE)
    assert judged(other, condemning(Role.DP, 0)) == judged(other)


def test_a_tag_that_a_rule_uses_where_there_is_one_counts_too() -> None:
    one = rule("machine", Chapter.DP, Role.DP, uses=(Role.GAS_FLOW,))
    assert unjudged(judged(one, condemning(Role.GAS_FLOW, 0))) == set(PLACES)


def test_of_two_compartments_what_is_wrong_of_one_is_wrong_of_the_other() -> None:
    one = rule("machine", Chapter.DP, uses=(Role.DP,))
    assert unjudged(judged(one, condemning(Role.DP, 2))) == {(1, 0), (1, 3), (2, 0)}


def test_one_of_several_roles_is_enough() -> None:
    one = rule("machine", Chapter.DP)
    either = Need(any_of=(Role.GAS_FLOW, Role.DP), purpose="to see")
    found = judged(replace(one, needs=(either,)), condemning(Role.GAS_FLOW, 0))
    assert unjudged(found) == set()


def test_a_condemned_header_is_no_peer_and_its_rows_are_not_judged() -> None:
    one = rule("machine", Chapter.ROWS, Role.HEADER_PRESSURE)
    found = judged(one, condemning(Role.HEADER_PRESSURE, 1))
    assert unjudged(found) == {(1, 0), (1, 3)}
    assert found[2, 0].answer.text == "True"
    both = condemning(Role.HEADER_PRESSURE, 2), condemning(Role.HEADER_PRESSURE, 1)
    second = replace(both[0], name="other")
    assert unjudged(judged(one, second, both[1])) == set(PLACES)


def test_days_with_a_condemned_tag_are_no_past_of_dp() -> None:
    """Else a transmitter that is set right would be a step of drag, and set points moved before."""
    facts = Fact.RESIDUAL_DP_PA, Fact.START_DP_PA, Fact.DP_ZERO_PA
    past = {(fact, 0): [900.0] * 6 for fact in facts}
    day = found_before(fact_day(HOUSE, {}, past), "Tag drifts", (2, 3))
    seen: dict[str, list[int]] = {}

    def noting(one: Rule) -> Rule:
        def judge(context: Context) -> Iterator[Answer]:
            seen[one.name] = [len(context.history.of(fact)[0]) for fact in facts]
            yield Answer.clear(context.subject(), "Seen.")

        return replace(one, judge=judge)

    rules = [noting(rule("machine", Chapter.DP)), noting(condemning(Role.DP, 0))]
    diagnose(rules, {each.name: {} for each in rules}, [day])
    assert seen == {"machine": [4, 4, 6], "Tag drifts": [6, 6, 6]}


def test_days_with_a_condemned_header_are_no_past_of_it() -> None:
    """Else a header whose tag is put right would refill slower than it ever did."""
    facts = Fact.TAU_S, Fact.DROP_RATIO, Fact.N_PULSES
    past = {(fact, c): [1.0] * 6 for fact in facts for c in (1, 2)}
    day = found_before(fact_day(HOUSE, {}, past), "Mixed up", (2, 3), compartment=2)
    seen: dict[int, list[int]] = {}

    def judge(context: Context) -> Iterator[Answer]:
        for c in (1, 2):
            seen[c] = [len(context.history.of(fact, c)[0]) for fact in facts]
        yield Answer.clear(context.subject(), "Seen.")

    machine = replace(rule("machine", Chapter.AIR), judge=judge)
    for sensor, left in (
        (rule("Mixed up", Chapter.SENSORS, Role.HEADER_PRESSURE), 4),
        (rule("Mixed up", Chapter.SENSORS, Role.DP), 6),
    ):
        diagnose([machine, sensor], {"machine": {}, "Mixed up": {}}, [day])
        assert seen == {1: [6, 6, 6], 2: [left, left, 6]}


def test_rules_of_sensors_are_asked_first_and_never_silenced() -> None:
    names = [one.chapter is Chapter.SENSORS for one in in_order(load_rules())]
    assert names == sorted(names, reverse=True)
    assert names[0]
    sensor = replace(rule("machine", Chapter.SENSORS, Role.DP), name="machine")
    assert unjudged(judged(sensor, condemning(Role.DP, 0))) == set()


def test_subjects_are_kept() -> None:
    found = judged(rule("machine", Chapter.DP, Role.DP), condemning(Role.DP, 0))
    assert {one.answer.subject for one in found.values()} == {Subject("BH1", *p) for p in PLACES}


@pytest.mark.parametrize(("compartment", "is_hidden"), [(0, True), (2, False)])
def test_what_can_do_without_a_tag_is_judged_without_it(compartment: int, is_hidden: bool) -> None:
    """Pulses have their interval whatever DP reads; one compartment's DP is not the baghouse's."""

    def judge(context: Context) -> Iterator[Answer]:
        has_dp = any(role is Role.DP for role, *_ in context.day.signals)
        text = f"{has_dp} {(Fact.START_DP_PA, 0, 0) in context.facts}"
        yield Answer.clear(context.subject(), text)

    plain = rule("settings", Chapter.CLEANING, Role.HEADER_PRESSURE)
    asked = replace(plain, judge=judge, does_without=(Role.DP,))
    found = judged(asked, condemning(Role.DP, compartment))[0, 0].answer
    assert (found.verdict, found.text) == (Verdict.CLEAR, f"{not is_hidden} {not is_hidden}")
