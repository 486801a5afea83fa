"""Days judged in any order, with late data and late entries of the work log, end alike.

Save in the last test, judging is stood in for by a few sums of a day's data, its history and the
work log; what decides which days are judged again, and what the store keeps, is the real thing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random
from typing import Any

import polars as pl
import pytest
from helpers.exports import open_store
from helpers.nights.night_runs import night
from helpers.nights.small_plant import copy_plant
from helpers.report_days import site
from helpers.work_logs import log, only

from rowcall.day_report import DayReport
from rowcall.days import day_bounds
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import (
    FACT_COLUMNS,
    Answer,
    BaghouseDay,
    Fact,
    Finding,
    History,
    Subject,
    Urgency,
    Verdict,
    Work,
    WorkEntry,
    since_work,
)
from rowcall.runs import moved as moving
from rowcall.runs import record as recording
from rowcall.runs.due import Tried, days_to_judge
from rowcall.runs.moved import moved_days
from rowcall.runs.record import Record
from rowcall.runs.result import RunResult
from rowcall.store import Store
from rowcall.store.nights.judgements import failed_days, judged_days

SIX_HOURS = timedelta(hours=6)
FIRST, N_DAYS, WINDOW = date(2026, 3, 2), 7, 3
DAYS = [FIRST + timedelta(days=n) for n in range(N_DAYS)]
SITE = site()
RULES = load_rules()
HOUSES = SITE.baghouse
PATTERN = replace(
    BaghouseDay.unstudied(HOUSES[0], FIRST, day_bounds(FIRST, SITE.plant.zone), History(), ""),
    pulses=pl.DataFrame(schema={"time_s": pl.Float64}),
    cycles=pl.DataFrame(schema={"start_s": pl.Float64, "end_s": pl.Float64}),
)
NOW = datetime(2026, 4, 1, tzinfo=UTC)
DP = Fact.RESIDUAL_DP_PA
MOVING = [
    only(Work.BAGS_CHANGED, DAYS[3], house=HOUSES[0].id),
    only(Work.OFF, DAYS[1], 1, house=HOUSES[0].id, line=3),
    only(Work.ON, DAYS[4], 1, house=HOUSES[0].id, line=4),
    only(Work.SET_POINT_CHANGED, DAYS[5], house=HOUSES[1].id, line=5),
    only(Work.OUTAGE_PLANNED, DAYS[6], house=HOUSES[1].id, line=6),
]


@dataclass
class Plant:
    """What is known so far: data by day, as the newest file and its value, and the work log."""

    data: dict[date, tuple[int, int]] = field(default_factory=dict)
    work: tuple[WorkEntry, ...] = ()
    fails: frozenset[date] = frozenset()
    judged: list[date] = field(default_factory=list)
    reported: list[tuple[date, int]] = field(default_factory=list)

    def judge(
        self, store: Store, the_site: Any, day: date, *_: Any, revision: int, **more: Any
    ) -> DayReport:
        self.judged.append(day)
        if day in self.fails:
            raise ZeroDivisionError
        done = more["work"].done_by(day_bounds(day, SITE.plant.zone)[1])
        houses, findings = [], []
        for house in HOUSES:
            past = since_work(more["history_of"](house), done, day, house)
            value = self.data[day][1] if day in self.data else 0
            known = past.of(DP)[1].sum() + past.verdicts.filter(verdict="found").height
            lines = [(0, 0, DP.column, float(value)), (1, 0, "plateau_pa", float(value // 3))]
            facts = pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row")
            houses.append(replace(PATTERN, day=day, baghouse=house, facts=facts, history=past))
            outage = done.next_outage(house.id, day + timedelta(days=1))
            off = done.off(Subject(house.id, 1), *day_bounds(day, SITE.plant.zone))
            text = f"{known} {outage} {off and off.line}"
            answer = Answer.clear(Subject(house.id), text)
            if value > 4:
                answer = replace(answer, verdict=Verdict.FOUND, urgency=Urgency.WATCH)
            findings.append(Finding(day, "row_silent", answer))
        return DayReport(
            site=SITE,
            day=day,
            baghouses=tuple(houses),
            findings=tuple(findings),
            rules=RULES,
            limits={},
            revision=revision,
        )

    def write(self, folder: Path, report: DayReport, *_: object) -> Path:
        self.reported.append((report.day, report.revision))
        return folder / report.day.isoformat()

    def night(self, store: Store) -> None:
        """Judge what is due, as a nightly run does after its take-in."""
        work, judged = log(*self.work), judged_days(store)
        record = Record.of(store, SITE, work, NOW, lambda text: None, RunResult())
        moved = moved_days(store, SITE, work, judged, is_log_known=True, progress=lambda text: None)
        tried = Tried(judged, failed_days(store), lambda: record.settings, moved)
        touched = {day: file_id for day, (file_id, _) in self.data.items()}
        record.judge(days_to_judge(sorted(self.data), touched, tried))


@pytest.fixture
def plant(monkeypatch: pytest.MonkeyPatch) -> Plant:
    made = Plant()
    monkeypatch.setattr(recording, "HISTORY_DAYS", WINDOW)
    monkeypatch.setattr(moving, "HISTORY_DAYS", WINDOW)
    monkeypatch.setattr(recording, "judge_day", made.judge)
    monkeypatch.setattr(recording, "write_pictured", made.write)
    monkeypatch.setattr(recording, "enter_index", lambda *_: None)
    return made


def tables(store: Store) -> tuple[list[Any], ...]:
    """Facts, findings and what they rest on."""
    return tuple(
        store.connection.execute(f"SELECT * FROM {name} ORDER BY ALL").fetchall()
        for name in ("facts", "findings", "basis")
    )


def in_order(plant: Plant, folder: Path) -> tuple[list[Any], ...]:
    """What the same data and work log give when each day is judged once, oldest first."""
    with open_store(folder / "in_order.duckdb") as store:
        plant.night(store)
        return tables(store)


@pytest.mark.parametrize("seed", range(2))
def test_the_order_of_data_and_of_entries_does_not_matter(
    plant: Plant, tmp_path: Path, seed: int
) -> None:
    random = Random(seed)
    missing, entries, file_id = random.sample(DAYS, N_DAYS), list(MOVING), 0
    with open_store(tmp_path / "store.duckdb") as store:
        while missing:
            for _ in range(random.randint(1, 3)):
                file_id += 1
                is_late = plant.data and (not missing or random.random() < 0.3)
                day = random.choice(sorted(plant.data)) if is_late else missing.pop()
                plant.data[day] = file_id, random.randint(0, 9)
            plant.work = tuple(one for one in entries if random.random() < 0.6)
            plant.fails = (
                frozenset(random.sample(DAYS, 1)) if random.random() < 0.2 else frozenset()
            )
            plant.night(store)
        plant.work, plant.fails = tuple(MOVING), frozenset()
        store.connection.execute("UPDATE failures SET version = 'an older one'")
        plant.night(store)
        ended = tables(store)
        plant.judged.clear()
        plant.night(store)
        assert plant.judged == []
        assert sorted(judged_days(store)) == DAYS
    assert ended == in_order(plant, tmp_path)


def two_nights(plant: Plant, store: Store) -> None:
    """Judge four days in one night, and nothing in the next."""
    plant.data = dict.fromkeys(DAYS[:4], (1, 9))
    plant.night(store)
    plant.night(store)
    assert plant.judged == DAYS[:4]
    plant.judged.clear()
    plant.reported.clear()


def test_days_after_one_with_late_data_are_judged_again_that_night(
    plant: Plant, tmp_path: Path
) -> None:
    with open_store(tmp_path / "store.duckdb") as store:
        two_nights(plant, store)
        plant.data[DAYS[1]] = 2, 8
        plant.night(store)
        assert plant.judged == DAYS[1:4]
        assert plant.reported == [(day, 2) for day in DAYS[1:4]]


def test_a_day_whose_findings_stay_keeps_its_report(plant: Plant, tmp_path: Path) -> None:
    """The last day looks no further back than new bags: late data of before move nothing of it."""
    plant.work = (only(Work.BAGS_CHANGED, DAYS[2], house=""),)
    with open_store(tmp_path / "store.duckdb") as store:
        two_nights(plant, store)
        plant.data[DAYS[1]] = 2, 8
        plant.night(store)
        assert plant.judged == DAYS[1:4]
        assert plant.reported == [(DAYS[1], 2)]
        assert judged_days(store)[DAYS[3]].revision == 1
        plant.judged.clear()
        plant.night(store)
        assert plant.judged == []


def test_an_entry_of_the_work_log_judges_the_days_that_it_touches(
    plant: Plant, tmp_path: Path
) -> None:
    with open_store(tmp_path / "store.duckdb") as store:
        two_nights(plant, store)
        plant.work = (only(Work.NOTE, DAYS[0]), only(Work.INSPECTED, DAYS[0]))
        plant.night(store)
        assert plant.judged == []
        plant.work = (only(Work.BAGS_CHANGED, DAYS[2]),)
        plant.night(store)
        assert plant.judged == DAYS[2:4]
        assert plant.reported == [(DAYS[2], 2), (DAYS[3], 2)]


def test_a_day_that_fails_again_is_not_tried_every_night(plant: Plant, tmp_path: Path) -> None:
    with open_store(tmp_path / "store.duckdb") as store:
        two_nights(plant, store)
        plant.data[DAYS[1]], plant.fails = (2, 8), frozenset(DAYS[2:3])
        plant.night(store)
        assert plant.judged == DAYS[1:4]
        plant.night(store)
        assert plant.judged == DAYS[1:4]


def test_short_days_judged_in_earnest_end_alike_too(made: Path, tmp_path: Path) -> None:
    """Six hours of three days in one night, and a day a night from the last one on."""
    exports = {
        path.name: pl.read_parquet(path).filter(pl.col("time") < pl.col("time").min() + SIX_HOURS)
        for path in sorted((made / "inbox").iterdir())
    }
    ended = []
    for order in ([list(exports)], [[name] for name in reversed(exports)]):
        plant = copy_plant(made, tmp_path / str(len(order)), days=0)
        for names in order:
            for name in names:
                exports[name].write_parquet(plant / "inbox" / name)
            assert night(plant).stored == len(names)
        with Store.open(plant / "rowcall.duckdb") as store:
            ended.append(tables(store))
    assert ended[0] == ended[1]
    assert {len(table) > 0 for table in ended[0]} == {True}
