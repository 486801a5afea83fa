"""A night with two workers ends like one with none, also where workers die."""

from __future__ import annotations

import pickle
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from datetime import date
from functools import partial
from itertools import chain, repeat
from pathlib import Path
from typing import Any

import pytest
from helpers.nights.night_runs import names, night, tree
from helpers.nights.small_plant import DAYS, MORNING, copy_plant
from soak.portrait import differences, portrait

from rowcall.day_report import DayReport
from rowcall.runs import rerun
from rowcall.runs.judge import judge_day
from rowcall.runs.parallel import ahead, workers
from rowcall.runs.parallel.workers import Workers
from rowcall.runs.record import write_pictured
from rowcall.runs.study import study_alone
from rowcall.site_file import read_site


@pytest.fixture(autouse=True)
def _two_days_are_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "_MIN_TASKS", 2)


class Sending(Executor):
    """Does tasks at once, in this process but as if sent to another; dies of studying some days."""

    def __init__(self, deadly: Callable[[date], bool]) -> None:
        self.deadly, self.is_broken = deadly, False

    def submit(self, do: Callable[..., Any], /, *given: Any, **_: Any) -> Future[Any]:
        if self.is_broken:
            raise BrokenExecutor
        future, task = Future[Any](), given[0]
        sent_do, sent = pickle.loads(pickle.dumps((do, given), protocol=5))
        if getattr(task, "func", None) is study_alone and self.deadly(task.args[0].day):
            self.is_broken = True
            future.set_exception(BrokenExecutor())
        else:
            future.set_result(pickle.loads(pickle.dumps(sent_do(*sent), protocol=5)))
        return future


@pytest.fixture
def sent(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[date], bool]], None]:
    """Return what lets workers be stand-ins that die of studying some days."""

    def patch(deadly: Callable[[date], bool]) -> None:
        monkeypatch.setattr(ahead, "Workers", partial(Workers, make=lambda _: Sending(deadly)))

    return patch


def test_two_processes_give_the_same_bytes(
    made: Path, judged: Callable[[Path, int], Path], tmp_path: Path
) -> None:
    plant, alone = copy_plant(made, tmp_path / "two", days=2), judged(tmp_path / "one", 2)
    assert night(plant, workers=2).failed == []
    assert tree(plant / "reports") == tree(alone / "reports")
    assert differences(portrait(plant), portrait(alone)) == []


def test_a_worker_that_dies_once_changes_nothing(
    made: Path,
    judged: Callable[[Path, int], Path],
    sent: Callable[[Callable[[date], bool]], None],
    tmp_path: Path,
) -> None:
    plant, alone = copy_plant(made, tmp_path / "two"), judged(tmp_path / "one", 3)
    dies = chain([False, True], repeat(False))
    sent(lambda day: next(dies))
    assert night(plant, workers=2).failed == []
    assert tree(plant / "reports") == tree(alone / "reports")
    assert differences(portrait(plant), portrait(alone)) == []


def test_a_day_that_costs_every_worker_fails_alone(
    made: Path,
    sent: Callable[[Callable[[date], bool]], None],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    plant = copy_plant(made, tmp_path / "plant")
    sent(lambda day: day == DAYS[0])
    result = night(plant, workers=2)
    assert names(result) == [day.isoformat() for day in DAYS]
    (failed,) = result.failed
    assert failed.startswith(
        f"{DAYS[0]}, F1, study: could not be judged: an error of rowcall, reference "
    )
    (record,) = (one for one in caplog.records if one.levelname == "ERROR")
    assert record.getMessage() == failed
    assert "its process was killed, or ran out of memory, twice" in caplog.text
    monkeypatch.setattr(workers, "_MIN_TASKS", 1)
    again = night(plant, workers=2)
    assert (again.reports, again.failed) == ([], [failed])
    sent(lambda day: False)
    last = night(plant, workers=2)
    assert (names(last), last.failed) == ([day.isoformat() for day in DAYS], [])
    assert night(plant).judged == 0


@pytest.mark.parametrize(("count", "order"), [(1, "j0 w0 j1 w1 j2 w2"), (2, "j0 j1 w0 j2 w1 w2")])
def test_a_rerun_by_workers_judges_a_day_before_the_one_before_is_written(
    count: int,
    order: str,
    judged: Callable[[Path, int], Path],
    sent: Callable[[Callable[[date], bool]], None],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plant, done = judged(tmp_path / "plant", 3), list[str]()
    sent(lambda day: False)

    def judging(store: Any, site: Any, day: date, *given: Any, **named: Any) -> DayReport:
        done.append(f"j{DAYS.index(day)}")
        return judge_day(store, site, day, *given, **named)

    def writing(folder: Path, report: DayReport, *given: Any) -> Path:
        done.append(f"w{DAYS.index(report.day)}")
        if report.day == DAYS[1]:
            raise ZeroDivisionError
        return write_pictured(folder, report, *given)

    monkeypatch.setattr(rerun, "judge_day", judging)
    monkeypatch.setattr(rerun, "write_pictured", writing)
    result = rerun.run_rerun(
        read_site(plant / "site.toml"),
        first=DAYS[0],
        last=DAYS[2],
        folder=tmp_path / "again",
        settings={},
        now=MORNING,
        wait_s=0.0,
        progress=lambda text: None,
        workers=count,
    )
    assert " ".join(done) == order
    assert names(result) == [DAYS[0].isoformat(), DAYS[2].isoformat()]
    assert len(result.failed) == 1
