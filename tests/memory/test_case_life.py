"""How a case lives: opened once, worse and better by its numbers, quiet, mended, back again."""

from __future__ import annotations

import random
from collections.abc import Iterator

import numpy as np
import pytest
from helpers.case_days import answer, cases, day, entry, row, unknown, valve
from helpers.unit_systems import SYSTEMS

from rowcall.model import Case, Check, Finding, News, State, Subject, Urgency, Verdict, Work

ROW = row(1, 7)


def only(found: list[Case]) -> Case:
    assert len(found) == 1, [case.id for case in found]
    return found[0]


def month(*shares: float, first: int = 1) -> list[Finding]:
    return [one for n, share in enumerate(shares, start=first) for one in valve(n, ROW, share)]


def news_of(case: Case) -> list[News]:
    return [event.news for event in case.history]


def test_a_silent_row_is_new_on_its_first_day_and_old_on_the_next() -> None:
    days = month(1.0, 0.0, 0.0)
    first, second = only(cases(2, days)), only(cases(3, days))
    assert first.news == (News.OPENED,)
    assert second.news == ()
    assert (second.id, second.opened, second.last_found) == (first.id, day(2), day(3))
    assert second.id == "BH1-C1-R7-valve-20260202"
    assert second.number == "answers 0 % of its pulses"
    assert cases(1, days) == []


def test_a_fault_that_stands_for_a_month_is_one_opening() -> None:
    rng = random.Random(3)
    days = [
        one for n in range(1, 31) for one in valve(n, ROW, 1.0, drop=0.55 + rng.gauss(0, 0.012))
    ]
    assert news_of(only(cases(30, days))) == [News.OPENED]


def test_one_clear_day_is_no_news_and_two_are() -> None:
    assert news_of(only(cases(4, month(0.0, 0.0, 1.0, 0.0)))) == [News.OPENED]
    case = only(cases(4, month(0.0, 0.0, 1.0, 1.0)))
    assert (case.state, case.news) == (State.QUIET, (News.QUIET,))
    assert not case.is_job


def test_days_that_cannot_be_judged_neither_close_nor_open() -> None:
    days = [*month(0.0, 0.0), *(one for n in range(3, 21) for one in unknown(n, ROW))]
    case = only(cases(20, days))
    assert (case.state, case.unknown_days, case.is_job) == (State.OPEN, 18, True)
    assert cases(20, [one for n in range(1, 21) for one in unknown(n, ROW)]) == []


def test_a_day_without_any_answer_counts_as_one_that_cannot_be_judged() -> None:
    assert only(cases(20, month(0.0, 0.0))).unknown_days == 18


def test_enough_clear_days_close_it_and_it_reopens_with_its_history() -> None:
    days = month(0.0, *[1.0] * 7)
    closed = only(cases(8, days))
    assert (closed.state, closed.closed, closed.news) == (State.CLOSED, day(8), (News.CLOSED,))
    assert cases(9, month(0.0, *[1.0] * 8)) == []
    back = only(cases(15, [*days, *month(0.0, first=15)]))
    assert (back.id, back.state, back.news) == (closed.id, State.OPEN, (News.BACK,))


def test_long_after_it_was_closed_it_is_another_case() -> None:
    days = [*month(0.0, *[1.0] * 7), *month(0.0, first=60)]
    case = only(cases(60, days))
    assert (case.opened, case.news) == (day(60), (News.OPENED,))


def test_a_row_that_fades_is_said_to_be_worse_at_each_step_that_matters() -> None:
    drops = [0.66, 0.66, 0.65, 0.66, 0.57, 0.58, 0.57, 0.48, 0.48]
    days = [one for n, drop in enumerate(drops, 1) for one in valve(n, ROW, 1.0, drop)]
    case = only(cases(9, days))
    assert [(e.day, e.news) for e in case.history] == [
        (day(1), News.OPENED),
        (day(5), News.WORSE),
        (day(8), News.WORSE),
    ]
    assert case.number == "drop 48 % of its neighbours'"


def test_noise_as_large_as_the_step_is_not_called_worse() -> None:
    rng = np.random.default_rng(5)
    drops = 0.5 + rng.normal(0, 0.05, 28)
    days = [one for n, drop in enumerate(drops, 1) for one in valve(n, ROW, 1.0, float(drop))]
    said = news_of(only(cases(28, days)))
    assert said.count(News.WORSE) + said.count(News.BETTER) <= 1


def test_a_weak_row_that_goes_silent_is_the_same_case_and_worse() -> None:
    days = [*valve(1, ROW, 1.0, 0.5), *valve(2, ROW, 0.0), *valve(3, ROW, 1.0, 0.5)]
    case = only(cases(3, days))
    assert news_of(case) == [News.OPENED, News.WORSE]


def test_what_comes_and_goes_is_said_once() -> None:
    shares = [0.0, 1.0, 1.0] * 8
    said = news_of(only(cases(24, month(*shares))))
    assert said.count(News.CHATTERS) == 1
    assert said[said.index(News.CHATTERS) :] == [News.CHATTERS]


def repaired(work: Work, after: list[float], subject: Subject = ROW) -> Case:
    days = month(0.0, 0.0, 0.0, *after)
    return only(cases(3 + len(after), days, entry(3, work, subject)))


def test_a_repair_is_verified_by_the_first_clear_day() -> None:
    case = repaired(Work.SOLENOID_RENEWED, [1.0])
    assert (case.state, case.news) == (State.CLOSED, (News.VERIFIED,))
    (repair,) = case.repairs
    assert (repair.check, repair.day) == (Check.VERIFIED, day(4))
    assert "solenoid renewed on 2026-02-03" in repair.text
    assert "drop 100 % of its neighbours'" in repair.text


def test_a_repair_that_did_not_help_is_contradicted_with_what_is_still_so() -> None:
    case = repaired(Work.DIAPHRAGMS_RENEWED, [0.0])
    assert (case.state, case.news) == (State.OPEN, (News.CONTRADICTED,))
    assert "still: answers 0 % of its pulses" in case.repairs[0].text


@pytest.mark.parametrize(
    ("subject", "check"),
    [
        (Subject("BH1"), Check.CONTRADICTED),
        (Subject("BH1", 2), Check.CONTRADICTED),
        (row(2, 7), Check.WAITING),
    ],
)
def test_only_a_repair_of_all_of_a_header_is_contradicted_by_it(
    subject: Subject, check: Check
) -> None:
    """It may leak elsewhere still, whatever came of one row's diaphragms."""
    days = [answer(n, "header_leak", Subject("BH1", 2)) for n in range(1, 5)]
    case = only(cases(4, days, entry(3, Work.DIAPHRAGMS_RENEWED, subject)))
    assert [repair.check for repair in case.repairs] == [check]


def test_the_day_of_the_repair_itself_decides_nothing() -> None:
    case = only(cases(3, month(0.0, 0.0, 0.0), entry(3, Work.SOLENOID_RENEWED, ROW)))
    assert case.repairs[0].check is Check.WAITING
    assert case.news == ()


def test_a_day_that_cannot_be_judged_leaves_a_repair_open() -> None:
    days = [*month(0.0, 0.0, 0.0), *unknown(4, ROW), *valve(5, ROW, 1.0)]
    log = entry(3, Work.SOLENOID_RENEWED, ROW)
    assert only(cases(4, days, log)).repairs[0].check is Check.WAITING
    assert only(cases(5, days, log)).repairs[0].check is Check.VERIFIED


def test_a_repair_of_another_row_says_nothing() -> None:
    days = month(0.0, 0.0, 1.0)
    assert only(cases(3, days, entry(2, Work.SOLENOID_RENEWED, row(1, 8)))).repairs == ()


def test_a_row_that_only_misses_some_pulses_is_verified_by_two_days() -> None:
    log = entry(3, Work.SOLENOID_RENEWED, ROW)
    days = month(0.6, 0.7, 0.6, 1.0, 1.0)
    assert only(cases(4, days, log)).repairs[0].check is Check.WAITING
    assert only(cases(5, days, log)).repairs[0].check is Check.VERIFIED


def test_a_mended_case_that_comes_back_is_the_old_one() -> None:
    days = month(0.0, 0.0, 0.0, 1.0, 1.0, 0.0)
    case = only(cases(6, days, entry(3, Work.SOLENOID_RENEWED, ROW)))
    assert news_of(case) == [News.OPENED, News.VERIFIED, News.BACK]


def test_what_came_and_went_is_said_to_be_back_after_a_repair() -> None:
    """It chatters no more, so its return is news."""
    shares = [0.0, 1.0, 1.0] * 4
    days = month(*shares, 0.0, 1.0, 1.0, 1.0, 0.0)
    case = only(cases(17, days, entry(13, Work.SOLENOID_RENEWED, ROW)))
    assert news_of(case)[-3:] == [News.CHATTERS, News.VERIFIED, News.BACK]


def test_a_row_that_is_off_on_purpose_is_neither_mended_nor_worse() -> None:
    days = month(0.0, 0.0, 1.0, 1.0, 1.0)
    log = (entry(3, Work.OFF, ROW, hour=0), entry(3, Work.SOLENOID_RENEWED, ROW, line=3))
    case = only(cases(5, days, *log))
    assert (case.state, case.unknown_days) == (State.OPEN, 3)
    assert case.repairs[0].check is Check.WAITING


def excursion(number: int, degrees: float) -> Iterator[Finding]:
    verdict = Verdict.FOUND if degrees > 204 else Verdict.CLEAR
    yield answer(
        number, "temperature_excursion", Subject("BH1"), verdict, Urgency.WATCH, max_c=degrees
    )


def test_what_lasts_a_day_is_no_job_on_the_next() -> None:
    days = [one for n, hot in enumerate([170, 220, 170], 1) for one in excursion(n, hot)]
    assert only(cases(2, days)).is_job
    assert not only(cases(3, days)).is_job


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_answers_and_entries_does_not_matter(seed: int) -> None:
    rng = random.Random(seed)
    days = [
        one
        for subject in (row(1, 7), row(2, 3))
        for n in range(1, 31)
        for one in valve(n, subject, rng.choice((0.0, 0.6, 1.0)), rng.choice((0.5, 1.0)))
    ]
    log = [entry(rng.randrange(1, 30), Work.SOLENOID_RENEWED, ROW, line=n) for n in range(4)]
    shuffled, turned = rng.sample(days, len(days)), log[::-1]
    assert repr(cases(30, shuffled, *turned)) == repr(cases(30, days, *log))


@pytest.mark.parametrize("seed", range(3))
def test_a_past_day_has_the_cases_it_had(seed: int) -> None:
    """What came later changes nothing of it."""
    rng = random.Random(seed)
    days = [one for n in range(1, 31) for one in valve(n, ROW, rng.choice((0.0, 1.0)), 1.0)]
    then = [one for one in days if one.day <= day(15)]
    assert repr(cases(15, days)) == repr(cases(15, then))


@pytest.mark.parametrize(
    ("system", "words"),
    [
        ("metric", ["up to 205 °C", "residual DP 1.23 kPa", "5.02 bar gauge before a pulse"]),
        ("us", ["up to 401 °F", "residual DP 4.95 in. w.c.", "72.8 psig before a pulse"]),
    ],
)
def test_numbers_of_cases_are_in_the_units_of_the_site(system: str, words: list[str]) -> None:
    found = [
        answer(1, "temperature_excursion", Subject("BH1"), max_c=205.0),
        answer(1, "rising_residual_dp", Subject("BH1"), residual_dp_corrected=1234.0),
        answer(1, "pulse_pressure", Subject("BH1", 1), before_pa=5.02e5),
    ]
    numbers = " ".join(one.number for one in cases(1, found, units=SYSTEMS[system].scales))
    assert all(each in numbers for each in words)
