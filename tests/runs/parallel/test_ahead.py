"""Days are studied ahead of their turn, a bounded number of them, and only those that are due."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from unittest.mock import MagicMock

import pytest
from helpers.report_days import site

from rowcall.day_report import DayReport
from rowcall.errors import StoreError
from rowcall.guard import Guard
from rowcall.model import BaghouseDay, History
from rowcall.runs.parallel import ahead as module
from rowcall.runs.parallel.ahead import Ahead
from rowcall.runs.parallel.logged import Logged
from rowcall.runs.parallel.workers import Workers
from rowcall.runs.study import Kept
from rowcall.site import Baghouse
from rowcall.store import Store

SITE = site()
HOUSES = [house.id for house in SITE.baghouse]
DAYS = [date(2026, 3, 2) + timedelta(days=n) for n in range(30)]
COUNT = 2

Place = tuple[date, str]


@dataclass
class Waiting(Executor):
    """Holds the studies that it is given until they are asked for."""

    given: list[Place] = field(default_factory=list)

    def submit(self, do: Callable[..., Any], /, *given: Any, **_: Any) -> Future[Any]:
        guard, house, span, _kept = given[0].args
        self.given.append((guard.day, house.id))
        studied = BaghouseDay.unstudied(house, guard.day, span, History(), "not at all")
        future = Future[Any]()
        future.set_result(Logged((studied, []), []))
        return future


def places(days: list[date]) -> list[Place]:
    return [(day, house) for day in days for house in HOUSES]


@pytest.fixture
def pool() -> Waiting:
    return Waiting()


@pytest.fixture
def ahead(pool: Waiting, monkeypatch: pytest.MonkeyPatch) -> Ahead:
    monkeypatch.setattr(module, "reader", lambda *_: lambda *_: Kept({}, {}))
    return Ahead(MagicMock(spec=Store), SITE, Workers(COUNT, make=lambda count: pool))


def take(ahead: Ahead, day: date) -> list[BaghouseDay]:
    guard = Guard(day)
    return [ahead.study(guard, house, History()) for house in SITE.baghouse]


def report_of(day: date) -> DayReport:
    return DayReport(site=SITE, day=day, baghouses=(), findings=(), rules=(), limits={})


def test_so_many_are_begun_ahead_and_no_more(ahead: Ahead, pool: Waiting) -> None:
    for n in range(3):
        ahead.expect(DAYS[n:])
        assert pool.given == places(DAYS)[: n * len(HOUSES) + 2 * COUNT + COUNT * (n > 0)]
        for house, studied in zip(HOUSES, take(ahead, DAYS[n]), strict=True):
            assert (studied.day, studied.baghouse.id) == (DAYS[n], house)
        assert pool.given == places(DAYS)[: max(len(pool.given), (n + 1) * len(HOUSES) + 2 * COUNT)]
        ahead.draw(report_of(DAYS[n]), Guard(DAYS[n]))
        assert pool.given == places(DAYS)[: (n + 1) * len(HOUSES) + 3 * COUNT]


def test_what_was_begun_of_a_day_that_is_not_next_any_more_is_dropped(
    ahead: Ahead, pool: Waiting
) -> None:
    ahead.expect([DAYS[0], DAYS[20], DAYS[21], DAYS[22]])
    take(ahead, DAYS[0])
    later = [place for place in pool.given if place[0] >= DAYS[20]]
    assert later
    ahead.expect(DAYS[1:])  # the first day shook all days after it
    assert not ahead._begun.keys() & set(later)
    assert len(ahead.workers._open) == len(ahead._begun)
    take(ahead, DAYS[20])
    assert [place for place in pool.given if place[0] == DAYS[20]] == 2 * places([DAYS[20]])


def test_room_for_workers_is_counted_before_the_store_is_kept_short(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def limit(store: Store) -> object:
        return store.frame("SELECT current_setting('memory_limit')").item()

    seen = []

    def counted(store: Store) -> int:
        seen.append(limit(store))
        return 3

    monkeypatch.setattr(module, "usual_workers", counted)
    with Store.open(tmp_path / "s.duckdb") as store:
        whole = limit(store)
        assert Ahead.of(store, SITE, None).workers.count == 3
        assert seen == [whole]
        assert limit(store) == "512.0 MiB" != whole


def test_one_worker_reads_nothing_ahead(
    ahead: Ahead, pool: Waiting, monkeypatch: pytest.MonkeyPatch
) -> None:
    ahead.workers.count = 1
    ahead.expect(DAYS)
    assert (pool.given, ahead._begun) == ([], {})


def test_a_store_that_fails_at_a_later_day_fails_in_its_turn(
    ahead: Ahead, monkeypatch: pytest.MonkeyPatch
) -> None:
    def reader(_: Store, house: Baghouse) -> Callable[[datetime, datetime], Kept]:
        def read(start: datetime, end: datetime) -> Kept:
            if end.date() > DAYS[1]:
                raise StoreError("damaged")
            return Kept({}, {})

        return read

    monkeypatch.setattr(module, "reader", reader)
    ahead.expect(DAYS)
    for day in DAYS[:2]:
        take(ahead, day)
    with pytest.raises(StoreError):
        take(ahead, DAYS[2])
