"""A row whose pulse is weak: found, and not confused with what only looks like it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, reordered, shifted
from helpers.scenes import FIRST, exports, history_of, kiln, local, on_time, study

from rowcall.model import Answer, Fact, Subject, Urgency, Verdict
from rowcall_plant import HeaderPlan, RowDrawnOut, RowFaint, RowSilent, SlowHeaderRecovery

RULE = "row_weak"


def weak(place: tuple[int, int], factor: float = 0.55) -> RowFaint:
    compartment, row = place
    return RowFaint(start=local(0), compartment=compartment, row=row, drop_share=factor)


# 1. Found: at 60 % of the peers' drop and less, whatever the sampling.


@pytest.mark.parametrize(
    ("step_s", "place", "factor"), [(1, (2, 4), 0.6), (5, (1, 1), 0.4), (10, (2, 4), 0.6)]
)
def test_a_weak_row_is_found_and_sized(step_s: int, place: tuple[int, int], factor: float) -> None:
    plan = kiln(cleaning=on_time(6))
    day = study(exports(plan, [weak(place, factor)], seed=4, step_s=step_s, hours=3)[0]).day
    answers = ask(RULE, day)
    assert found(answers) == {place}
    answer = answers[Subject("BH1", *place)]
    # The simulator's rows differ by 3 % of drop by themselves.
    assert value_of(answer, "drop_ratio") == pytest.approx(factor, rel=0.12)
    assert answer.urgency is Urgency.NEXT_OUTAGE
    assert len(answers) == 12


@pytest.mark.parametrize(("step_s", "share"), [(1, 0.25), (5, 0.45)])
def test_a_row_that_turns_weak_in_the_evening_is_weak_since_then_and_not_silent(
    step_s: int, share: float
) -> None:
    turns = RowFaint(start=local(0, 22), compartment=2, row=4, drop_share=share)
    plan = kiln(cleaning=on_time(6))
    day = study(exports(plan, [turns], seed=4, step_s=step_s, hours=4)[0]).day
    answers = ask(RULE, day)
    assert found(answers) == {(2, 4)}
    answer = answers[Subject("BH1", 2, 4)]
    assert value_of(answer, "drop_ratio") == pytest.approx(share, rel=0.12)
    assert answer.start is not None
    assert abs(answer.start - local(0, 22)) < timedelta(minutes=10)
    assert found(ask("row_silent", day)) == set()


def test_a_row_that_starts_to_miss_pulses_is_not_weak_since_then() -> None:
    spells = [
        RowSilent(
            start=local(0, 21) + timedelta(minutes=12 * k),
            end=local(0, 21) + timedelta(minutes=12 * k + 6),
            compartment=2,
            row=4,
        )
        for k in range(15)
    ]
    day = study(exports(kiln(cleaning=on_time(6)), spells, seed=4, step_s=5, hours=6)[0]).day
    assert found(ask(RULE, day)) == set()
    assert found(ask("row_silent", day)) == {(2, 4)}


def with_past(past: list[float], n_cut: int = 0) -> Answer:
    """What is said of a row at 68 % of its peers' drop after such days, the first ones cut off."""
    export = exports(kiln(cleaning=on_time(6)), [weak((2, 4), 0.68)], seed=4, hours=3)[0]
    day = study(export).day
    history = history_of({Fact.DROP_RATIO: past}, day.day, (2, 4))
    is_cut = history.facts["day"].rank("dense") <= n_cut
    facts, cut = history.facts.filter(~is_cut), history.facts.filter(is_cut)
    return ask(RULE, replace(day, history=replace(history, facts=facts, cut=cut)))[
        Subject("BH1", 2, 4)
    ]


def test_a_row_that_always_had_that_drop_differs_by_design() -> None:
    answer = with_past([0.66, 0.64, 0.65, 0.66, 0.63, 0.65, 0.64, 0.65])
    assert (answer.verdict, answer.urgency) == (Verdict.FOUND, Urgency.WATCH)
    assert "differs by design" in answer.text
    assert "on 9 days" in answer.text


@pytest.mark.parametrize("past", [[0.65], [0.65] * 6], ids=len)
def test_in_its_first_week_too_a_row_that_never_had_another_drop_is_watched(
    past: list[float],
) -> None:
    answer = with_past(past)
    assert answer.urgency is Urgency.WATCH
    assert "always" in answer.text


def test_on_its_first_day_a_weak_row_is_said_to_look_like_one_of_fewer_bags() -> None:
    assert "fewer bags looks the same" in with_past([]).text
    assert "fewer bags looks the same" not in with_past([0.95] * 3).text


@pytest.mark.parametrize("past", [[], [0.95] * 3 + [0.65] * 20], ids=len)
def test_a_row_that_had_another_drop_or_no_past_is_weak(past: list[float]) -> None:
    assert with_past(past).urgency is Urgency.NEXT_OUTAGE


def test_a_row_weak_for_weeks_is_said_to_have_been_full_once() -> None:
    text = with_past([0.98] * 3 + [0.65] * 20).text
    last = FIRST - timedelta(days=21)
    assert f"(65 % in the days before, 98 % until {last.day} {last:%b})" in text


def test_a_row_that_a_repair_did_not_help_is_weak_and_not_so_by_design() -> None:
    assert with_past([0.95] * 3 + [0.65] * 10, n_cut=3).urgency is Urgency.NEXT_OUTAGE
    assert with_past([0.65] * 13, n_cut=3).urgency is Urgency.WATCH


@pytest.mark.parametrize("row", [None, 1, 4])
def test_without_bits_a_weak_place_is_found(row: int | None) -> None:
    """One place in the pulse sequence, where header pressure does not show which row that is."""
    plan = kiln(rows=(6,), cleaning=on_time(6, 20.0))
    faults = [] if row is None else [weak((1, row))]
    day = study(exports(plan, faults, drop=("row_solenoid",), seed=4, hours=6)[0]).day
    answers = ask(RULE, day)
    places = [subject for subject, one in answers.items() if one.verdict is Verdict.FOUND]
    assert len(places) == (row is not None)
    assert all(subject.is_place for subject in places)
    assert sum(one.verdict is Verdict.CLEAR for one in answers.values()) == 6 - len(places)


@pytest.mark.parametrize(("bags", "is_found"), [(8, False), (12, True)])
def test_a_row_of_fewer_bags_is_held_against_what_they_let_it_drop(
    bags: int, is_found: bool
) -> None:
    """A drop of 68 % of the peers' from 8 bags of 12 is full; from 12 it is weak."""
    export = exports(kiln(cleaning=on_time(6)), [weak((2, 4), 0.68)], seed=4, hours=3)[0]
    rows = ((12,) * 6, (12, 12, 12, bags, 12, 12))
    house = export.baghouse.model_copy(update={"bags_per_row": rows})
    answers = ask(RULE, study(replace(export, baghouse=house)).day)
    assert found(answers) == ({(2, 4)} if is_found else set())


# 2. Healthy.


@pytest.mark.parametrize(("step_s", "seed"), [(1, 4), (5, 5)])
def test_a_healthy_day_is_clear(step_s: int, seed: int) -> None:
    plan = kiln(cleaning=on_time(6))
    answers = ask(RULE, study(exports(plan, seed=seed, step_s=step_s, hours=3)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


# 3. Look-alikes.


def test_rows_that_differ_by_build_are_not_weak() -> None:
    plan = kiln(cleaning=on_time(6), header=HeaderPlan(drop_row_spread_frac=0.08))
    assert found(ask(RULE, study(exports(plan, seed=4, hours=3)[0]).day)) == set()


def test_a_silent_row_is_not_weak() -> None:
    silent = RowSilent(start=local(0), compartment=1, row=3)
    export = exports(kiln(cleaning=on_time(6)), [silent], seed=4, hours=3)[0]
    answers = ask(RULE, study(export).day)
    assert found(answers) == set()
    assert "silent" in answers[Subject("BH1", 1, 3)].text


def test_a_row_silent_for_half_the_day_is_not_weak() -> None:
    """Full and missing drops have a mean of half a drop."""
    silent = RowSilent(start=local(0, 22), compartment=1, row=3)
    export = exports(kiln(cleaning=on_time(6)), [silent], seed=4, hours=4)[0]
    answers = ask(RULE, study(export).day)
    assert found(answers) == set()
    assert "silent" in answers[Subject("BH1", 1, 3)].text


def test_a_row_that_misses_pulses_is_not_weak() -> None:
    spells = [
        RowSilent(start=local(0, hour), end=local(0, hour + 1), compartment=1, row=3)
        for hour in range(0, 24, 2)
    ]
    export = exports(kiln(cleaning=on_time(6)), spells, seed=4, hours=8)[0]
    answers = ask(RULE, study(export).day)
    assert found(answers) == set()
    assert "a mean drop misleads" in answers[Subject("BH1", 1, 3)].text


def test_peers_of_a_deep_row_are_not_weak() -> None:
    deep = RowDrawnOut(start=local(0), compartment=2, row=4, late_s=2.0)
    export = exports(kiln(cleaning=on_time(6)), [deep], hours=3)[0]
    assert found(ask(RULE, study(export).day)) == set()


def test_a_slow_refill_is_not_weak() -> None:
    slow = SlowHeaderRecovery(start=local(0), compartment=2, row=4, tau_factor=2.2)
    export = exports(kiln(cleaning=on_time(6)), [slow], hours=3)[0]
    assert found(ask(RULE, study(export).day)) == set()


# 4. Thin data.


def test_few_pulses_cannot_tell() -> None:
    day = study(exports(kiln(cleaning=on_time(6)), [weak((1, 3))], seed=4, hours=3)[0]).day
    answers = ask(RULE, day, {"min_pulses": "5000"})
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}


def test_where_a_drop_cannot_be_sized_nothing_is_weak_or_clear() -> None:
    plan = kiln(cleaning=on_time(6, 120.0), noise_scale=8.0)
    answers = ask(RULE, study(exports(plan, [weak((1, 3))], seed=4, step_s=60)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}


# 5. Invariance.


def test_unit_day_and_order_do_not_matter() -> None:
    export = exports(kiln(cleaning=on_time(6)), [weak((2, 4))], seed=4, hours=3)[0]
    base = ask(RULE, study(export).day)
    psi = ask(RULE, study(in_unit(export, "header_pressure", "[psi]")).day)
    assert {s: a.verdict for s, a in psi.items()} == {s: a.verdict for s, a in base.items()}
    later = ask(RULE, study(shifted(export, 10)).day)
    assert {s: a.text for s, a in later.items()} == {s: a.text for s, a in base.items()}
    assert ask(RULE, study(reordered(export)).day) == base
