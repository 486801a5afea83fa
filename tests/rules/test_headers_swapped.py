"""Header tags of compartments mixed up: by facts made by hand, and on days of the plant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import edited
from helpers.scenes import Export, exports, fact, kiln, on_time, sample_tag, study, thinned
from helpers.sensor_days import fact_day, house, tag

from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import (
    Answer,
    Fact,
    Inferred,
    Lack,
    Signal,
    Subject,
    TagHealth,
    Urgency,
    Verdict,
)
from rowcall.site import Role
from rowcall.store.samples import TagSamples

RULE = "headers_swapped"
PLAN = kiln(cleaning=on_time(6, 20.0))
SIGNAL = Signal(np.arange(0.0, 86_400.0, 1.0), np.full(86_400, 6e5))
Falls = tuple[float, float, int]  # at own pulses, at those of another header, which one [bar]


def judged(
    falls: Mapping[int, Falls | None], error: float = 0.01, **how: object
) -> dict[int, Answer]:
    """Return the answers by header, each known by what it falls by."""
    facts: dict[tuple[Fact, int], float] = {}
    for header, one in falls.items():
        if one is not None:
            own, other, which = one
            facts |= {
                (Fact.HEADER_OWN_FALL_PA, header): own * 1e5,
                (Fact.HEADER_OTHER_FALL_PA, header): other * 1e5,
                (Fact.HEADER_OTHER, header): which,
                (Fact.HEADER_FALL_ERROR_PA, header): error * 1e5,
            }
    tags = [tag(Role.HEADER_PRESSURE, header or None) for header in falls]
    places = [(Role.HEADER_PRESSURE, header, 0) for header in falls]
    health = tuple(TagHealth(f"{p[1]}", *p, 86_400, 0, 0, 1.0, 1.0) for p in places)
    baghouse = house(*tags, compartments=max([1, *falls]))
    day = replace(fact_day(baghouse, facts), signals=dict.fromkeys(places, SIGNAL), health=health)
    return {one.compartment: answer for one, answer in ask(RULE, replace(day, **how)).items()}  # type: ignore[arg-type]


def verdicts(answers: Mapping[int, Answer]) -> dict[int, str]:
    return {header: answer.verdict.value for header, answer in answers.items()}


def swapped(export: Export, *turn: int) -> Export:
    """Return the export with the header of each compartment in the place of the one before it."""
    names = [sample_tag(export, "header_pressure", c) for c in turn]

    def edit(samples: dict[str, TagSamples]) -> dict[str, TagSamples]:
        moved = zip(names, [*names[1:], names[0]], strict=True)
        return samples | {at: samples[of] for at, of in moved}

    return edited(export, edit)


# 1. Found.


def test_two_headers_that_show_each_other_are_found_and_not_trusted() -> None:
    answers = judged({1: (0.0, 1.2, 2), 2: (-0.1, 1.3, 1), 3: (1.2, 0.1, 1)})
    assert verdicts(answers) == {1: "found", 2: "found", 3: "clear"}
    one = answers[1]
    assert one.urgency is Urgency.NOW
    assert one.condemns == (Role.HEADER_PRESSURE,)
    assert one.text == (
        "Header pressure (HEADER_PRESSURE-1) shows compartment 2; header pressure "
        "(HEADER_PRESSURE-2) shows compartment 1. Here pressure falls by 1.20 bar at the pulses "
        "of compartment 2, and by 0.00 bar at those of its own."
    )
    assert value_of(one, "other_fall") == 1.2e5
    assert "locked out" in one.action


def test_a_ring_of_three_names_which_tag_shows_which() -> None:
    answers = judged({1: (0.0, 1.2, 3), 2: (0.0, 1.3, 1), 3: (0.0, 1.2, 2), 4: (1.0, 0.0, 1)})
    assert verdicts(answers) == {1: "found", 2: "found", 3: "found", 4: "clear"}
    for tag_of, shows in ((1, 3), (2, 1), (3, 2)):
        assert f"(HEADER_PRESSURE-{tag_of}) shows compartment {shows}" in answers[2].text


def test_where_every_tag_is_in_the_ring_clocks_may_be_apart() -> None:
    two = {1: (0.0, 1.2, 2), 2: (0.0, 1.3, 1)}
    assert "Clocks of bits" in judged(two)[1].text
    assert "Clocks of bits" not in judged(two | {3: (1.0, 0.0, 1)})[1].text


def test_two_pairs_are_two_findings() -> None:
    answers = judged({1: (0.0, 1.2, 2), 2: (0.0, 1.3, 1), 3: (0.0, 1.2, 4), 4: (0.0, 1.0, 3)})
    assert set(verdicts(answers).values()) == {"found"}
    assert "compartment 3" not in answers[1].text


@pytest.mark.parametrize("step_s", [1, 5])
def test_swapped_headers_of_the_plant_are_found_and_no_row_is_blamed(step_s: int) -> None:
    export = swapped(exports(PLAN, seed=4, hours=3)[0], 1, 2)
    day = study(replace(export, samples=thinned(export, step_s))).day
    rules = load_rules()
    answers = diagnose(rules, limits_in_force(rules, {}), [day])
    faults = {(f.rule, f.answer.subject.compartment) for f in answers if f.answer.urgency}
    assert faults == {(RULE, 1), (RULE, 2)}
    silent = [f.answer for f in answers if f.rule == "row_silent"]
    assert {answer.lack for answer in silent} == {Lack.SENSOR}
    assert all("Header tags swapped" in answer.text for answer in silent)
    assert fact(day, Fact.CLOCK_OFFSET_S, 1) is None  # else its pulses would be timed by chance


# 2. Clear.


@pytest.mark.parametrize("step_s", [1, 5])
def test_sound_headers_of_the_plant_are_clear(step_s: int) -> None:
    export = exports(PLAN, seed=4, hours=3)[0]
    day = study(replace(export, samples=thinned(export, step_s))).day
    assert fact(day, Fact.CLOCK_OFFSET_S, 1) is not None
    answers = ask(RULE, day)
    assert {subject.compartment for subject in answers} == {1, 2}
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


def test_one_header_cannot_be_mixed_up() -> None:
    assert verdicts(judged({0: None})) == {0: "clear"}


# 3. What looks like it.


def test_a_compartment_without_air_is_not_swapped_whatever_its_supply_passes_on() -> None:
    silent = (0.0, 0.1, 2)
    assert verdicts(judged({1: silent, 2: (1.2, 0.0, 1)})) == {1: "clear", 2: "clear"}
    two = judged({1: silent, 2: (0.0, 0.1, 3), 3: (1.2, 0.0, 1)})
    assert verdicts(two) == {1: "cannot tell", 2: "cannot tell", 3: "clear"}
    assert "0.10 bar at those of compartment 2" in two[1].text


def test_two_tags_of_one_header_are_no_swap() -> None:
    answers = judged({1: (0.0, 1.2, 2), 2: (1.2, 0.0, 1), 3: (0.0, 1.2, 2)})
    assert Verdict.FOUND not in {answer.verdict for answer in answers.values()}


def test_a_common_supply_that_passes_on_some_of_a_pulse_is_clear() -> None:
    assert verdicts(judged({1: (1.0, 0.3, 2), 2: (1.0, 0.4, 1)})) == {1: "clear", 2: "clear"}


@pytest.mark.parametrize("falls", [(0.8, 1.2), (1.2, 0.8), (1.0, 1.0)])
def test_pulses_that_fall_together_show_neither(falls: tuple[float, float]) -> None:
    answers = judged({1: (*falls, 2), 2: (*falls, 1)})
    assert verdicts(answers) == {1: "cannot tell", 2: "cannot tell"}


def test_falls_within_their_error_show_neither() -> None:
    falls = {1: (0.0, 0.1, 2), 2: (0.0, 0.1, 1)}
    assert set(verdicts(judged(falls, error=0.019)).values()) == {"found"}
    assert set(verdicts(judged(falls, error=0.021)).values()) == {"cannot tell"}


def test_one_header_alone_that_shows_another_is_no_ring() -> None:
    answers = judged({1: (0.0, 1.2, 2), 2: (0.5, 0.5, 1)})
    assert verdicts(answers) == {1: "cannot tell", 2: "cannot tell"}


# 4. Thin data.


def test_without_bits_or_with_pulses_inferred_it_cannot_tell() -> None:
    for how in (
        {"fires_known": False},
        {"inferred": {1: Inferred(6, False, "by their cadence")}},
    ):
        for answer in judged({1: None, 2: None}, **how).values():
            assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.ROW_SIGNAL)


def test_without_points_at_enough_pulses_it_cannot_tell() -> None:
    for answer in judged({1: None, 2: None}).values():
        assert (answer.verdict, answer.lack) == (Verdict.CANNOT_TELL, Lack.NOTHING)


def test_a_header_of_which_nothing_is_known_leaves_the_other_as_it_is() -> None:
    assert verdicts(judged({1: (1.0, 0.0, 2), 2: None})) == {1: "clear", 2: "cannot tell"}


def test_samples_of_a_minute_show_no_pulse() -> None:
    export = exports(PLAN, seed=4, hours=3)[0]
    answers = ask(RULE, study(replace(export, samples=thinned(export, 60))).day)
    assert {answer.lack for answer in answers.values()} == {Lack.FINE_PRESSURE}


def test_temperature_tags_are_not_asked_for() -> None:
    export = exports(PLAN, seed=4, hours=3, drop=("inlet_temperature", "outlet_temperature"))[0]
    assert found(ask(RULE, study(swapped(export, 1, 2)).day)) == {(1, 0), (2, 0)}
    temperatures = ask("tags_swapped", study(export).day)[Subject("BH1")]
    assert temperatures.lack is Lack.TAG


# 5. Invariance.


def test_pulses_by_counter_say_the_same() -> None:
    export = exports(PLAN, seed=4, hours=3, rows_by="counter")[0]
    assert found(ask(RULE, study(swapped(export, 1, 2)).day)) == {(1, 0), (2, 0)}
    assert found(ask(RULE, study(export).day)) == set()
