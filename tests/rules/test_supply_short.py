"""Plant air short for hours: found from all headers, sized, and no fault of one header."""

from __future__ import annotations

from dataclasses import replace
from datetime import time, timedelta
from functools import cache

import polars as pl
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, shifted
from helpers.scenes import exports, fact, history_of, kiln, local, on_time, study

from rowcall.model import BaghouseDay, Fact, History, Subject, Urgency, Verdict
from rowcall_plant import Fault, HeaderLeak, SlowHeaderRecovery

RULE = "supply_short"
PLAN = kiln(cleaning=on_time(6, 40.0))
HOURS = 10
EVENING = (time(18), time(22))
PLANT = Subject("BH1")


def shortage(
    sag: float, tau_factor: float = 1.0, hours: tuple[time, time] | None = EVENING
) -> Fault:
    return SlowHeaderRecovery(
        start=local(0), tau_factor=tau_factor, sag_frac=sag, daily_hours=hours
    )


@cache
def past() -> History:
    """Five days before, as a healthy day of the same headers measures them."""
    day = study(exports(PLAN, seed=4, hours=HOURS)[0]).day
    known = [
        history_of({name: [fact(day, name, c) or 0.0] * 5}, day.day, (c, 0)).facts
        for c in (1, 2)
        for name in (Fact.TAU_S, Fact.PLATEAU_PA, Fact.PLATEAU_SCATTER)
    ]
    return History(pl.concat(known))


def later_day(*faults: Fault, drop: tuple[str, ...] = ()) -> BaghouseDay:
    return study(exports(PLAN, faults, seed=4, drop=drop, hours=HOURS)[0], past()).day


@pytest.mark.parametrize(
    ("sag", "drop"), [(0.2, ()), (0.12, ("supply_pressure",))], ids=["tag", "no tag"]
)
def test_a_short_supply_is_found_with_its_hours_and_depth(
    sag: float, drop: tuple[str, ...]
) -> None:
    """Of 6 bar gauge; 18 psi of 87 psi are 21 %."""
    day = later_day(shortage(sag), drop=drop)
    answers = ask(RULE, day)
    assert found(answers) == {(0, 0)}
    answer = answers[PLANT]
    assert answer.urgency is Urgency.NOW
    assert (answer.start, answer.end) == (
        day.start + timedelta(hours=4),
        day.start + timedelta(hours=8),
    )
    assert "18:00-22:00" in answer.text
    for header in (1, 2):
        ratio = value_of(answer, f"plateau_ratio_header_{header}")
        assert ratio == pytest.approx(1.0 - sag, abs=0.01)
    assert ("Supply pressure is" in answer.text) is (not drop)


def test_headers_that_all_refill_slowly_are_short_of_air_too() -> None:
    answer = ask(RULE, later_day(shortage(0.05, tau_factor=2.2)))[PLANT]
    assert answer.verdict is Verdict.FOUND
    assert value_of(answer, "tau_ratio_header_1") == pytest.approx(2.2, rel=0.1)


def test_a_whole_day_short_is_found_by_the_days_before() -> None:
    answer = ask(RULE, later_day(shortage(0.15, hours=None)))[PLANT]
    assert value_of(answer, "hours") == HOURS


def test_the_first_day_finds_hours_against_its_others() -> None:
    first = study(exports(PLAN, [shortage(0.15)], seed=4, hours=HOURS)[0]).day
    assert found(ask(RULE, first)) == {(0, 0)}


@pytest.mark.parametrize(
    "fault",
    [
        SlowHeaderRecovery(start=local(0), compartment=1, tau_factor=3.0),
        HeaderLeak(start=local(0), compartment=1, leak_1_s=0.08),
    ],
    ids=["feed", "leak"],
)
def test_what_one_header_does_is_not_the_supplys(fault: Fault) -> None:
    assert ask(RULE, later_day(fault))[PLANT].verdict is Verdict.CLEAR


def test_a_supply_that_always_wanders_has_to_fall_further() -> None:
    day = later_day(shortage(0.12))
    wanders = day.history.facts.with_columns(
        value=pl.when(pl.col("name") == Fact.PLATEAU_SCATTER.column)
        .then(0.06)
        .otherwise(pl.col("value"))
    )
    facts = day.facts.filter(pl.col("name") != Fact.PLATEAU_SCATTER.column)
    other = replace(day, history=History(wanders), facts=facts)
    assert found(ask(RULE, other)) == set()


def test_without_pulses_it_cannot_be_told() -> None:
    day = later_day()
    nothing = replace(day, hours=day.hours.clear(), facts=day.facts.filter(pl.col("row") > 0))
    assert ask(RULE, nothing)[PLANT].verdict is Verdict.CANNOT_TELL


def test_one_header_says_that_supply_and_feed_look_alike() -> None:
    plan = kiln(rows=(6,), cleaning=on_time(6))
    answer = ask(RULE, study(exports(plan, [shortage(0.2)], seed=4, hours=HOURS)[0]).day)[PLANT]
    assert answer.verdict is Verdict.FOUND
    assert "one header cannot show" in answer.text


def test_unit_and_day_do_not_matter() -> None:
    export = exports(PLAN, [shortage(0.2)], seed=4, hours=HOURS)[0]
    base = ask(RULE, study(export).day)[PLANT]
    psi = ask(RULE, study(in_unit(export, "header_pressure", "[psi]")).day)[PLANT]
    later = ask(RULE, study(shifted(export, 10)).day)[PLANT]
    assert base.text == psi.text == later.text
