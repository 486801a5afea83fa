"""A valve that closes late: found, and not confused with what only looks like it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

import polars as pl
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, reordered, shifted
from helpers.scenes import exports, fact, kiln, local, on_time, study

from rowcall.model import Fact, Subject, Urgency, Verdict
from rowcall_plant import HeaderPlan, RowDrawnOut, RowSilent, SlowHeaderRecovery

RULE = "row_closes_late"
PLAN = kiln(cleaning=on_time(6))


def drawn(places: Iterable[tuple[int, int]], late_s: float = 1.0) -> list[RowDrawnOut]:
    return [RowDrawnOut(start=local(0), compartment=c, row=r, late_s=late_s) for c, r in places]


# 1. Found. At 1 s sampling a valve that hangs for 1 s or longer; shorter ones blur into the second.


@pytest.mark.parametrize(
    ("late_s", "place", "seed"), [(1.0, (2, 4), 4), (1.5, (1, 1), 5), (2.0, (2, 4), 4)]
)
def test_a_valve_that_closes_late_is_found_in_its_place(
    late_s: float, place: tuple[int, int], seed: int
) -> None:
    answers = ask(RULE, study(exports(PLAN, drawn([place], late_s), seed=seed, hours=3)[0]).day)
    assert found(answers) == {place}
    answer = answers[Subject("BH1", *place)]
    # A second between samples blunts lateness by up to 0.8 s, and never adds more than 0.2 s.
    assert late_s - 0.8 < value_of(answer, "late_s") < late_s + 0.2
    assert value_of(answer, "drop_ratio") > 1.3
    assert answer.urgency is Urgency.NEXT_OUTAGE
    assert len(answers) == 12


def test_two_late_valves_of_one_compartment_are_both_found() -> None:
    places = {(1, 2), (1, 5)}
    day = study(exports(PLAN, drawn(places), seed=4, hours=3)[0]).day
    assert found(ask(RULE, day)) == places


def test_the_answer_covers_the_day_it_was_seen_on() -> None:
    day = study(exports(PLAN, drawn([(2, 4)]), seed=4, hours=3)[0]).day
    answer = ask(RULE, day)[Subject("BH1", 2, 4)]
    assert (answer.start, answer.end) == (day.start, day.end)


@pytest.mark.parametrize(("step_s", "late_s"), [(1, 0.4), (5, 1.0)])
def test_a_row_that_begins_to_close_late_in_the_evening_does_so_since_then(
    step_s: int, late_s: float
) -> None:
    begins = RowDrawnOut(start=local(0, 22), compartment=2, row=4, late_s=late_s)
    day = study(exports(PLAN, [begins], seed=4, step_s=step_s, hours=5)[0]).day
    answers = ask(RULE, day)
    assert found(answers) == {(2, 4)}
    answer = answers[Subject("BH1", 2, 4)]
    assert answer.start is not None
    assert abs(answer.start - local(0, 22)) < timedelta(minutes=10)
    assert answer.end == day.end


@pytest.mark.parametrize(("step_s", "hours"), [(1, 5), (5, 10)])
def test_a_valve_that_was_mended_closed_late_until_then(step_s: int, hours: int) -> None:
    at = local(0, 24 - 2 * hours // 5)
    mended = RowDrawnOut(start=local(0), end=at, compartment=2, row=4, late_s=1.0)
    day = study(exports(PLAN, [mended], seed=4, step_s=step_s, hours=hours)[0]).day
    answers = ask(RULE, day)
    assert found(answers) == {(2, 4)}
    answer = answers[Subject("BH1", 2, 4)]
    assert answer.start == day.start
    assert answer.end is not None
    assert abs(answer.end - at) < timedelta(minutes=10)


# 2. Healthy.


@pytest.mark.parametrize(("step_s", "seed"), [(1, 4), (2, 5)])
def test_a_healthy_day_is_clear(step_s: int, seed: int) -> None:
    answers = ask(RULE, study(exports(PLAN, seed=seed, step_s=step_s, hours=3)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


def test_a_healthy_day_of_slow_samples_finds_nothing() -> None:
    answers = ask(RULE, study(exports(PLAN, seed=4, step_s=5, hours=4)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


# 3. Look-alikes.


def test_a_longer_pulse_time_draws_out_all_rows_alike() -> None:
    everywhere = drawn((c, r) for c in (1, 2) for r in range(1, 7))
    plan = kiln(header=HeaderPlan(drop_row_spread_frac=0.25))  # some rows are deep as well
    day = study(exports(plan, everywhere, seed=4, hours=12)[0]).day
    answers = ask(RULE, day)
    ratios = [fact(day, Fact.DROP_RATIO, c, r) for c, r in day.baghouse.all_rows()]
    assert max(ratio for ratio in ratios if ratio is not None) > 1.1
    rows = day.pulses.drop_nulls("row").group_by("compartment", "row")
    assert rows.agg(pl.col("min_delay_s").median())["min_delay_s"].min() > 0.85  # type: ignore[operator]
    assert found(answers) == set()
    clear = [answer for answer in answers.values() if answer.verdict is Verdict.CLEAR]
    assert len(clear) >= len(answers) - 2  # the deepest rows of all leave it open


def test_a_slow_valve_opening_everywhere_is_no_late_valve() -> None:
    plan = kiln(cleaning=on_time(6), header=HeaderPlan(opening_s=0.6))
    assert found(ask(RULE, study(exports(plan, seed=4, hours=3)[0]).day)) == set()


def test_a_slow_refill_is_no_late_valve() -> None:
    slow = SlowHeaderRecovery(start=local(0), compartment=2, row=4, tau_factor=2.2)
    assert found(ask(RULE, study(exports(PLAN, [slow], seed=4, hours=3)[0]).day)) == set()


def test_a_refill_that_grows_slow_within_the_day_is_no_late_valve() -> None:
    """As the demo's mill filter does: ten rows, pulsed every 20 s."""
    plan = kiln(rows=(10,), cleaning=on_time(10, 20.0))
    slow = SlowHeaderRecovery(start=local(0, 20), compartment=1, row=6, tau_factor=2.2)
    assert found(ask(RULE, study(exports(plan, [slow], seed=4, hours=8)[0]).day)) == set()


def test_a_row_of_deeper_drops_in_time_is_no_late_valve() -> None:
    plan = kiln(cleaning=on_time(6), header=HeaderPlan(drop_row_spread_frac=0.25))
    day = study(exports(plan, seed=4, hours=4)[0]).day
    answers = ask(RULE, day)
    assert max(value_of(answer, "drop_ratio") for answer in answers.values()) > 1.2
    assert found(answers) == set()


def test_a_silent_row_is_no_late_valve() -> None:
    silent = RowSilent(start=local(0), compartment=1, row=3)
    answers = ask(RULE, study(exports(PLAN, [silent], seed=4, hours=3)[0]).day)
    assert found(answers) == set()
    assert answers[Subject("BH1", 1, 3)].verdict is Verdict.CANNOT_TELL


# 4. Thin data.


@pytest.mark.parametrize("step_s", [5, 10])
def test_a_late_valve_is_found_in_slow_samples(step_s: int) -> None:
    day = study(exports(PLAN, drawn([(2, 4)]), seed=4, step_s=step_s, hours=6)[0]).day
    assert found(ask(RULE, day)) == {(2, 4)}


def test_where_a_late_valve_would_not_stand_out_no_row_is_judged() -> None:
    plan = kiln(cleaning=on_time(6), noise_scale=30.0)
    day = study(exports(plan, drawn([(2, 4)]), seed=4, step_s=60, hours=12)[0]).day
    answers = ask(RULE, day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}


def test_a_row_that_takes_no_more_air_is_clear_where_its_closing_is_not_timed() -> None:
    plan = kiln(cleaning=on_time(6), noise_scale=4.0)
    day = study(exports(plan, drawn([(2, 4)]), seed=4, step_s=60)[0]).day
    answers = ask(RULE, day)
    assert max(fact(day, Fact.LATE_POWER, c, r) for c, r in day.baghouse.all_rows()) < 0.5  # type: ignore[type-var, operator]
    late = answers.pop(Subject("BH1", 2, 4))
    assert late.verdict is Verdict.CANNOT_TELL
    assert "sampled once a second" in late.text
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


def test_few_pulses_cannot_tell() -> None:
    day = study(exports(PLAN, drawn([(2, 4)]), seed=4, hours=3)[0]).day
    answers = ask(RULE, day, {"min_pulses": "500"})
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}


# 5. Invariance.


def test_unit_day_and_order_do_not_matter() -> None:
    export = exports(PLAN, drawn([(2, 4)]), seed=4, hours=3)[0]
    base = ask(RULE, study(export).day)
    psi = ask(RULE, study(in_unit(export, "header_pressure", "[psi]")).day)
    assert {s: a.verdict for s, a in psi.items()} == {s: a.verdict for s, a in base.items()}
    late = [value_of(a[Subject("BH1", 2, 4)], "late_s") for a in (base, psi)]
    assert late[0] == pytest.approx(late[1], abs=1e-6)
    later = ask(RULE, study(shifted(export, 10)).day)
    assert {s: a.text for s, a in later.items()} == {s: a.text for s, a in base.items()}
    assert ask(RULE, study(reordered(export)).day) == base
