"""Cases by what the store is asked for are those by all answers of all days."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from random import Random

import polars as pl
import pytest
from helpers.case_days import RULES, day, entry, row, unknown, valve
from helpers.exports import store_of
from helpers.index_year import site

from rowcall.model import HISTORY_COLUMNS, Finding, Work, WorkLog
from rowcall.runs import judge
from rowcall.store.nights.judgements import Judged
from rowcall.store.results import save_day

DAYS = 160
FACTS = {"BH1": pl.DataFrame(schema=HISTORY_COLUMNS)}


def life(number: int, random: Random) -> Iterator[Finding]:
    """A row's answers: faulty for a while, then clear, or not judged; every 40 days anew."""
    subject, level = row(1, number), 1.0
    for n in range(1, DAYS + 1):
        if n % 40 == number:
            level, n_faulty = random.choice((0.3, 0.6, 1.0)), random.randint(1, 6)
            n_unknown = random.choice((0, 3, 33))
            until = n + n_faulty, n + n_faulty + n_unknown
        if n < number or random.random() < 0.05:
            continue  # a day that was not judged
        if n < until[0]:
            yield from valve(n, subject, level, drop=level + 0.05)
        elif n < until[1]:
            yield from unknown(n, subject)
        else:
            yield from valve(n, subject, 1.0, drop=random.uniform(0.75, 1.0))


@pytest.fixture(scope="module")
def answers() -> list[Finding]:
    random = Random(5)
    faulty = (one for number in range(1, 7) for one in life(number, random))
    fading = (one for n in range(1, DAYS + 1) for one in valve(n, row(1, 7), float(n < 100), 0.8))
    return [*faulty, *fading]


def work() -> WorkLog:
    random, kinds = Random(6), (Work.SOLENOID_RENEWED, Work.DIAPHRAGMS_RENEWED)
    entries = (
        entry(random.randint(1, DAYS), random.choice(kinds), row(1, number), line=n)
        for n, number in enumerate([1, 2, 3, 4, 5, 6] * 3)
    )
    return WorkLog(tuple(sorted(entries)))


def test_cases_rest_on_no_more_answers_than_are_asked_for(
    answers: list[Finding], tmp_path: Path
) -> None:
    plant, judged = site(1), Judged(1, "", 1, datetime(2026, 11, 1, tzinfo=UTC))
    with store_of(tmp_path) as store:
        save_day(store, day(1), [], answers, judged)
        for n in range(20, DAYS + 1, 20):
            past = WorkLog(tuple(one for one in work() if one.day <= day(n)))
            whole = [one for one in answers if one.day <= day(n)]
            asked = partial(judge.stored_answers, store, day(n + 1))
            found = judge.cases_of(plant, day(n), RULES, asked, FACTS, past)
            assert found == judge._cases_of(plant, day(n), RULES, whole, FACTS, past)
        assert len(asked({})) < 0.7 * len(answers)
