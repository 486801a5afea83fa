"""Cases of answers read from the store day by day are those of all answers at once."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from helpers.case_days import FAMILIES, ROWS, RULES, UNITS, ZONE, at, day, entry, row, valve

from rowcall.memory.answers_so_far import AnswersSoFar
from rowcall.memory.cases import Remembered, all_cases_on
from rowcall.memory.places import Past
from rowcall.model import Finding, Verdict, Work, WorkLog
from rowcall.runs.judge import followed_rules
from rowcall.store import Store
from rowcall.store.nights.judgements import Judged
from rowcall.store.nights.past_answers import PastAnswers
from rowcall.store.results import save_day

PLACES = [row(1, 1), row(1, 2), row(2, 5)]
N_DAYS = 330
LOG = WorkLog(
    (
        entry(70, Work.DIAPHRAGMS_RENEWED, PLACES[0]),
        entry(200, Work.DIAPHRAGMS_RENEWED, PLACES[1]),
    )
)


@pytest.fixture(scope="module")
def answers() -> list[Finding]:
    """Faults of weeks with months between, at the first place from its first day to its last."""
    rng, out = random.Random(4), list[Finding]()
    for place, often in zip(PLACES, (1.0, 0.03, 0.01), strict=True):
        faulty_until = 0
        for number in range(1, N_DAYS + 1):
            if rng.random() < often:
                faulty_until = number + rng.randrange(20)
            if rng.random() < 0.9:  # else the day is not judged
                drop = rng.uniform(0.5, 0.68) if number < faulty_until else 1.0
                out += valve(number, place, 1.0, drop)
    return out


@pytest.fixture(scope="module")
def store(answers: list[Finding], tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(Path(tmp_path_factory.mktemp("past")) / "s.duckdb") as store:
        with store.transaction():
            save_day(store, day(1), (), answers, Judged(1, "", 1, at(N_DAYS)))
        yield store


def _cases(number: int, answers: list[Finding], past: Past | None = None) -> object:
    known = Remembered(answers=answers, work=LOG, facts={}, rows=ROWS, past=past)
    return all_cases_on(day(number), known, families=FAMILIES, rules=RULES, zone=ZONE, units=UNITS)


@pytest.mark.parametrize("number", [1, 2, 64, 150, 151, 200, 263, N_DAYS])
def test_cases_are_those_of_all_answers_at_once(
    number: int, store: Store, answers: list[Finding]
) -> None:
    past = PastAnswers(store, day(number), followed_rules())
    today = [one for one in answers if one.day == day(number)]
    assert _cases(number, today, past) == _cases(number, answers) != ((), ())


@pytest.mark.parametrize(("first", "number"), [(1, 1), (1, 151), (100, 263), (262, 263)])
def test_cases_of_days_judged_one_by_one_are_those_of_all_answers_at_once(
    first: int, number: int, store: Store, answers: list[Finding]
) -> None:
    past = AnswersSoFar(PastAnswers(store, day(first), followed_rules()))
    for before in range(first, number):
        past.add(day(before), [one for one in answers if one.day == day(before)])
    today = [one for one in answers if one.day == day(number)]
    assert _cases(number, today, past) == _cases(number, answers) != ((), ())
    weak = {one.rule for one in answers if one.rule == "row_weak" and one.day < day(number)}
    for before in range(1, number):
        assert weak >= set(past.on(PLACES[0], day(before), frozenset({"row_weak"})))


def test_nothing_is_known_of_the_day_itself(store: Store, answers: list[Finding]) -> None:
    past = PastAnswers(store, day(100), followed_rules())
    place, rules = PLACES[0], followed_rules()["row_weak", True]
    assert not past.on(place, day(100), rules)
    assert {one.day for one in past.found} == {
        one.day for one in answers if one.day < day(100) and one.answer.verdict is Verdict.FOUND
    }
    known = {one.rule: one.answer.values for one in answers if one.day == day(98)}
    assert known.keys() >= set(past.on(place, day(98), rules)) > {"row_weak"}
    assert past.first == day(1)
    assert PastAnswers(store, day(1) - timedelta(days=9), {}).first == day(1) - timedelta(days=9)
