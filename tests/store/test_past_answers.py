"""Cases of answers read from the store day by day are those of all answers at once."""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from helpers.case_days import FAMILIES, ROWS, RULES, UNITS, ZONE, at, day, entry, row, valve

from rowcall.memory.cases import Remembered, all_cases_on
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


@pytest.mark.parametrize("number", [1, 2, 64, 150, 151, 200, 263, N_DAYS])
def test_cases_are_those_of_all_answers_at_once(
    number: int, store: Store, answers: list[Finding]
) -> None:
    today = day(number)
    past = PastAnswers(store, today, followed_rules())
    mine = [one for one in answers if one.day == today]

    def cases_of(known: Remembered) -> object:
        return all_cases_on(today, known, families=FAMILIES, rules=RULES, zone=ZONE, units=UNITS)

    at_once = cases_of(Remembered(answers=answers, work=LOG, facts={}, rows=ROWS))
    assert at_once != ((), ())
    assert cases_of(Remembered(answers=mine, work=LOG, facts={}, rows=ROWS, past=past)) == at_once


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
