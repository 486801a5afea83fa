"""A Dask cluster gives the bytes of one process; what it loses costs time, or one task at most."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from importlib.metadata import version
from pathlib import Path
from time import sleep
from typing import Any

import pytest
from distributed import LocalCluster
from helpers.nights.dying import die
from helpers.nights.night_runs import night, tree
from helpers.nights.small_plant import copy_plant
from soak.portrait import differences, portrait

from rowcall.cli import main
from rowcall.errors import WorkerLostError
from rowcall.runs.parallel import fleet, workers
from rowcall.runs.parallel.fleet import Fleet
from rowcall.runs.parallel.same_setup import wanted_setup
from rowcall.runs.parallel.workers import Task, Workers

MANY = 100


@contextmanager
def cluster(n_workers: int, **more: Any) -> Iterator[LocalCluster]:
    """Run a scheduler in this process, and workers, on loopback only."""
    settings = {"host": "127.0.0.1", "protocol": "tcp", "dashboard_address": "127.0.0.1:0"}
    made = LocalCluster(n_workers=n_workers, **{"threads_per_worker": 1, **settings, **more})
    with closing(made):
        yield made


@pytest.fixture(scope="module")
def two(_pictures: None) -> Iterator[LocalCluster]:
    """Two worker processes, restarted where they die."""
    with cluster(2) as made:
        yield made


@pytest.fixture
def address(two: LocalCluster) -> str:
    return str(two.scheduler_address)


@pytest.fixture(autouse=True)
def _short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "_MIN_TASKS", 2)
    monkeypatch.setattr(fleet, "_CONNECT_S", 1.0)


@contextmanager
def working(address: str) -> Iterator[Workers]:
    """Return workers of a cluster, at work."""
    with closing(Workers(2, lambda _: Fleet(address))) as made:
        made.expect(MANY)
        yield made


def results(tasks: list[Task[Any]]) -> list[Any]:
    return [task.result() for task in tasks]


def test_a_night_of_a_cluster_gives_the_same_bytes(
    made: Path, judged: Callable[[Path, int], Path], tmp_path: Path, address: str
) -> None:
    plant, alone = copy_plant(made, tmp_path / "fleet", days=2), judged(tmp_path / "one", 2)
    assert night(plant, workers=address).failed == []
    assert tree(plant / "reports") == tree(alone / "reports")
    assert differences(portrait(plant), portrait(alone)) == []


def test_as_many_tasks_at_a_time_as_the_cluster_does(address: str) -> None:
    with working(address) as made:
        pids = results([made.submit(os.getpid) for _ in range(8)])
        made.expect(MANY)
        assert made.count == 2
    assert os.getpid() not in pids


def test_a_killed_worker_costs_time_only(address: str) -> None:
    with working(address) as made:
        victim = made.submit(os.getpid).result()
        tasks = [made.submit(sleep, 0.3) for _ in range(6)]
        os.kill(victim, signal.SIGKILL)
        assert results(tasks) == [None] * 6
        assert made.are_running
        assert victim not in results([made.submit(os.getpid) for _ in range(4)])


def test_what_a_task_raises_is_raised_here(address: str) -> None:
    with working(address) as made, pytest.raises(ValueError, match="invalid literal"):
        made.submit(int, "a").result()


def test_workers_of_another_version_do_nothing(
    address: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    other = {**wanted_setup(), "polars": "0.1"}
    monkeypatch.setattr(fleet, "wanted_setup", lambda: other)
    with working(address) as made:
        assert not made.are_running
        assert made.submit(os.getpid).result() == os.getpid()
    (record,) = (one for one in caplog.records if one.name.startswith("rowcall"))
    assert record.getMessage().startswith(
        "The run goes on without worker processes: worker tcp://127.0.0.1:"
    )
    assert f"has polars {version('polars')} instead of 0.1" in record.getMessage()


def test_a_worker_that_comes_later_is_looked_at_too(
    address: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(Fleet, "_checked_threads", lambda self: 2)  # none was there yet
    monkeypatch.setattr(fleet, "wanted_setup", lambda: {**wanted_setup(), "--nthreads": "2"})
    with working(address) as made:
        assert made.submit(os.getpid).result() == os.getpid()
    assert "has --nthreads 1 instead of 2" in caplog.text


def test_a_task_that_kills_its_workers_fails_alone(
    two: LocalCluster, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(two.scheduler, "allowed_failures", 0)  # of three workers: the same, slower
    with working(address) as made:
        deadly, others = made.submit(die), [made.submit(abs, -n) for n in range(6)]
        with pytest.raises(WorkerLostError):
            deadly.result()
        assert results(others) == [0, 1, 2, 3, 4, 5]
        assert made.are_running


def test_without_its_scheduler_a_run_goes_on_alone(caplog: pytest.LogCaptureFixture) -> None:
    with cluster(1, processes=False) as lost, working(lost.scheduler_address) as made:
        assert made.submit(abs, -1).result() == 1
        at_work = made.submit(sleep, 0.1)
        lost.close()
        assert results([at_work, *(made.submit(abs, -n) for n in range(3))]) == [None, 0, 1, 2]
        assert not made.are_running
    texts = [one.getMessage() for one in caplog.records if one.name.startswith("rowcall")]
    assert texts == [
        "The run goes on without worker processes: the Dask scheduler at "
        f"{lost.scheduler_address}, or all its workers, went away."
    ]


def test_a_scheduler_that_nobody_reaches_is_named(caplog: pytest.LogCaptureFixture) -> None:
    with working("tcp://127.0.0.1:9") as made:
        assert made.submit(os.getpid).result() == os.getpid()
    (record,) = (one for one in caplog.records if one.name.startswith("rowcall"))
    assert "no Dask scheduler answers at tcp://127.0.0.1:9 (" in record.getMessage()


def test_workers_that_stay_away_are_not_waited_for(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(fleet, "_PATIENCE_S", 0.2)
    monkeypatch.setattr(fleet, "_LOOK_S", 0.1)
    with cluster(1, processes=False) as empty, working(empty.scheduler_address) as made:
        empty.scale(0)
        assert made.submit(os.getppid).result() == os.getppid()
        assert not made.are_running
    assert f"{empty.scheduler_address}, or all its workers, went away" in caplog.text


@pytest.mark.parametrize(
    ("address", "is_there", "said"),
    [
        ("10.0.0.5", True, "10.0.0.5: write it as tcp://HOST:PORT"),
        ("tcp://10.0.0.5:8786", False, 'install it by pip install "rowcall[fleet]"'),
    ],
)
def test_an_address_and_the_extra_are_asked_for_first(
    address: str,
    is_there: bool,
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if not is_there:
        monkeypatch.setattr("rowcall.commands.options.find_spec", lambda name: None)
    with pytest.raises(SystemExit, match="2"):
        main(["nightly", "--scheduler", address])
    assert said in capsys.readouterr().err
