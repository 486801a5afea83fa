"""A header that refills slowly: row, compartment and supply told apart, and from look-alikes."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import time, timedelta
from functools import cache

import numpy as np
import polars as pl
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, reordered, shifted, with_values
from helpers.scenes import (
    Export,
    exports,
    fact,
    history_of,
    kiln,
    local,
    on_time,
    sample_tag,
    study,
    study_all,
)

from rowcall.model import BaghouseDay, Fact, History, Subject, Urgency, Verdict
from rowcall.site import Role
from rowcall_plant import Fault, RowDrawnOut, RowSilent, SlowHeaderRecovery

RULE = "slow_header_recovery"
MORNING = (time(6), time(10))
PLAN = kiln(cleaning=on_time(6, 20.0))
SHORTAGE = SlowHeaderRecovery(start=local(0), tau_factor=2.2, sag_frac=0.06, daily_hours=MORNING)


def row_slow(compartment: int, row: int) -> SlowHeaderRecovery:
    return SlowHeaderRecovery(start=local(0), compartment=compartment, row=row, tau_factor=2.2)


def compartment_slow(compartment: int, factor: float = 2.0) -> SlowHeaderRecovery:
    return SlowHeaderRecovery(start=local(0), compartment=compartment, tau_factor=factor)


@cache
def usual_past() -> History:
    """Three days before, as a healthy day of the same headers measures them."""
    day = study(exports(PLAN, seed=4)[0]).day
    taus = {c: fact(day, Fact.TAU_S, c) for c in (1, 2)}
    past = [history_of({Fact.TAU_S: [tau or 0.0] * 3}, day.day, (c, 0)) for c, tau in taus.items()]
    return History(pl.concat([one.facts for one in past]))


@cache
def later_day(
    faults: tuple[Fault, ...], edit: Callable[[Export], Export] | None = None
) -> BaghouseDay:
    """A day whose headers' usual recovery is known."""
    export = exports(PLAN, faults, seed=4)[0]
    return study(edit(export) if edit else export, usual_past()).day


def first_day(faults: Sequence[Fault]) -> Export:
    return exports(kiln(), faults, seed=4)[0]


# 1. Found, in its place, with its hours.


@pytest.mark.parametrize("place", [(1, 2), (2, 6)])
def test_a_slow_row_is_found_in_its_place(place: tuple[int, int]) -> None:
    answers = ask(RULE, study(first_day([row_slow(*place)])).day)
    assert found(answers) == {place}
    answer = answers[Subject("BH1", *place)]
    assert value_of(answer, "tau_ratio") == pytest.approx(2.2, rel=0.1)
    assert answer.urgency is Urgency.NEXT_OUTAGE


@pytest.mark.parametrize("compartment", [1, 2])
def test_a_slow_compartment_is_found_against_its_own_past(compartment: int) -> None:
    day = later_day((compartment_slow(compartment),))
    answers = ask(RULE, day)
    assert found(answers) == {(compartment, 0)}
    answer = answers[Subject("BH1", compartment)]
    usual = value_of(answer, "usual_tau_s")
    assert value_of(answer, "tau_s") / usual == pytest.approx(2.0, rel=0.1)
    assert value_of(answer, "slow_hours") == 24
    assert (answer.start, answer.end) == (day.start, day.end)
    assert "the other compartments do not share it" in answer.text


def test_a_shortage_of_plant_air_is_one_finding_in_its_hours() -> None:
    day = later_day((SHORTAGE,))
    answers = ask(RULE, day)
    assert found(answers) == {(0, 0)}  # and not two compartments
    answer = answers[Subject("BH1")]
    assert answer.start == day.start + timedelta(hours=6)
    assert answer.end == day.start + timedelta(hours=10)
    assert answer.urgency is Urgency.NOW
    assert "06:00-10:00" in answer.text
    assert "Supply pressure is 6.4" in answer.text
    for compartment in (1, 2):
        ratio = value_of(answer, f"tau_s_compartment_{compartment}") / 2.2
        assert ratio == pytest.approx(2.2, rel=0.1)


def test_a_refill_longer_than_any_usual_one_needs_no_past() -> None:
    # 95 % after more than 15 s: common practice, no source. 2.2 s x 3 tau x 2.6 = 17 s.
    fault = compartment_slow(2, factor=2.6)
    answers = ask(RULE, study(first_day([fault])).day)
    assert found(answers) == {(2, 0)}
    assert "too few days yet" in answers[Subject("BH1", 2)].text


def test_a_compartment_that_is_slow_for_hours_of_the_day() -> None:
    fault = replace(compartment_slow(1), daily_hours=MORNING)
    day = later_day((fault,))
    answers = ask(RULE, day)
    assert found(answers) == {(1, 0)}
    answer = answers[Subject("BH1", 1)]
    assert answer.start == day.start + timedelta(hours=6)
    assert answer.end == day.start + timedelta(hours=10)
    assert value_of(answer, "slow_hours") == 4


def test_weeks_of_a_slow_header_do_not_become_usual() -> None:
    day = later_day((compartment_slow(1),))
    usual, slow = 2.1, fact(day, Fact.TAU_S, 1)
    assert slow is not None
    past = history_of({Fact.TAU_S: [usual] * 30 + [slow] * 50}, day.day, (1, 0))
    assert (1, 0) in found(ask(RULE, replace(day, history=past)))


# 2. Healthy.


def test_healthy_days_are_clear() -> None:
    for studied in study_all(exports(kiln(), days=5, seed=4)):
        answers = ask(RULE, studied.day)
        assert len(answers) == 1 + 2 + 12
        assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


# 3. Look-alikes.


def test_an_interval_too_short_is_no_slow_header() -> None:
    # 95 % recovered after 6.6 s, the next row after 5 s: every pulse meets a header not yet full.
    day = study(exports(kiln(rows=(6,), cleaning=on_time(6, 5.0)), seed=4)[0]).day
    assert day.pulses["recovered"].mean() == pytest.approx(0.0, abs=0.05)
    answers = ask(RULE, day)
    assert found(answers) == set()
    assert answers[Subject("BH1", 1)].verdict is Verdict.CLEAR


@pytest.mark.parametrize(
    "fault",
    [
        RowDrawnOut(start=local(0), compartment=2, row=4),
        RowSilent(start=local(0), compartment=2, row=4),
    ],
    ids=["drawn out", "silent"],
)
def test_other_faults_of_a_row_are_not_a_slow_refill(fault: Fault) -> None:
    assert found(ask(RULE, study(first_day([fault])).day)) == set()


def test_a_header_shared_by_all_cannot_tell_supply_from_feed() -> None:
    export = exports(kiln(rows=(6,), cleaning=on_time(6)), [compartment_slow(1, 2.6)], seed=4)[0]
    one = study(export).day
    shared = {
        (role, 0 if role is Role.HEADER_PRESSURE else c, r): signal
        for (role, c, r), signal in one.signals.items()
    }
    house = one.baghouse.model_copy(update={"compartments": 2, "rows_per_compartment": (6,)})
    both = one.facts.with_columns(compartment=one.facts["compartment"] * 2)
    day = replace(one, baghouse=house, signals=shared, facts=one.facts.vstack(both))
    answers = ask(RULE, day)
    assert answers[Subject("BH1")].verdict is Verdict.CANNOT_TELL
    assert "each on a header of its own" in answers[Subject("BH1")].text
    assert "cannot be said" in answers[Subject("BH1", 1)].text


def test_a_compartment_with_a_dead_header_does_not_make_the_other_alone() -> None:
    def deaden(export: Export) -> Export:
        name = sample_tag(export, "header_pressure", 2)
        return with_values(export, name, lambda time_s, value: np.full(value.size, 5.9))

    answers = ask(RULE, later_day((SHORTAGE,), deaden))
    assert answers[Subject("BH1")].verdict is Verdict.CANNOT_TELL
    assert answers[Subject("BH1", 1)].verdict is Verdict.FOUND
    assert "do not share it" not in answers[Subject("BH1", 1)].text
    assert answers[Subject("BH1", 2)].verdict is Verdict.CANNOT_TELL


def test_shortage_and_a_slow_compartment_together_are_not_called_unshared() -> None:
    day = later_day((SHORTAGE, compartment_slow(2, factor=2.0)))
    answers = ask(RULE, day)
    assert (2, 0) in found(answers)
    assert "4 of these hours are slow in another compartment too" in answers[Subject("BH1", 2)].text


# 4. Thin data.


def test_refills_that_cannot_be_followed_are_not_judged() -> None:
    plan = kiln(cleaning=on_time(6, 120.0), noise_scale=20.0)
    answers = ask(RULE, study(exports(plan, seed=4, step_s=60)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}
    assert "refill could be followed" in answers[Subject("BH1", 1)].text


def test_without_rows_the_compartments_are_still_judged() -> None:
    export = exports(PLAN, [compartment_slow(2)], seed=4, drop=["row_solenoid"])[0]
    answers = ask(RULE, study(export, usual_past()).day)
    assert found(answers) == {(2, 0)}
    # Rows are only known as places in the sequence, and so is what is said of them.
    assert answers[Subject("BH1", 2, 1)].verdict is Verdict.CLEAR
    assert study(export).day.counts_places(2)


@pytest.mark.parametrize("n_days", [0, 2])
def test_too_few_days_do_not_say_what_is_usual(n_days: int) -> None:
    day = study(first_day([compartment_slow(2, factor=1.9)])).day
    past = history_of({Fact.TAU_S: [2.2] * n_days}, day.day, (2, 0))
    answer = ask(RULE, replace(day, history=past))[Subject("BH1", 2)]
    assert answer.verdict is Verdict.CLEAR
    assert "too few days yet to say what is usual" in answer.text
    enough = history_of({Fact.TAU_S: [2.2] * 3}, day.day, (2, 0))
    assert found(ask(RULE, replace(day, history=enough))) == {(2, 0)}


# 5. Invariance.


def test_unit_day_and_order_do_not_matter() -> None:
    export = first_day([row_slow(2, 6)])
    base = ask(RULE, study(export).day)
    psi = ask(RULE, study(in_unit(export, "header_pressure", "[psi]")).day)
    assert {s: a.text for s, a in psi.items()} == {s: a.text for s, a in base.items()}
    later = ask(RULE, study(shifted(export, 10)).day)
    assert {s: a.text for s, a in later.items()} == {s: a.text for s, a in base.items()}
    assert ask(RULE, study(reordered(export)).day) == base


# At the limits.


def with_hours(day: BaghouseDay, compartment: int, slow: int, tau_s: float) -> BaghouseDay:
    """Return the day with a compartment slow in its first hours, and only in those."""
    hours = pl.DataFrame(
        [
            (c, h, tau_s if (c, h < slow) == (compartment, True) else 2.0, 100)
            for c in (1, 2)
            for h in range(24)
        ],
        schema=day.hours.schema,
        orient="row",
    )
    return replace(day, hours=hours)


@pytest.mark.parametrize("slow", [1, 2, 3])
def test_two_slow_hours_are_enough(slow: int) -> None:
    day = with_hours(later_day(()), 2, slow, 4.0)
    assert ((2, 0) in found(ask(RULE, day))) is (slow >= 2)


@pytest.mark.parametrize("slow", [1, 2])
def test_two_slow_hours_of_all_compartments_are_enough(slow: int) -> None:
    day = later_day(())
    both = day.hours.with_columns(
        tau_s=pl.when(pl.col("hour") < slow).then(4.0).otherwise(2.0), n_pulses=pl.lit(100)
    )
    assert ((0, 0) in found(ask(RULE, replace(day, hours=both)))) is (slow == 2)


@pytest.mark.parametrize(("tau_s", "urgency"), [(6.0, Urgency.NEXT_OUTAGE), (16.0, Urgency.NOW)])
def test_what_does_not_recover_before_the_next_pulse_is_urgent(
    tau_s: float, urgency: Urgency
) -> None:
    """Rows take turns every 20 s, so a header pulses every 40 s: 95 % takes 18 s or 48 s."""
    answers = ask(RULE, with_hours(later_day(()), 2, 4, tau_s))
    assert answers[Subject("BH1", 2)].urgency is urgency
