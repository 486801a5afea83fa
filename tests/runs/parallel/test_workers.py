"""Tasks come out alike in whichever process; a process that dies costs one task at most."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from helpers.nights.dying import complain, die, live_the_second_time

from rowcall.errors import WorkerLostError
from rowcall.runs.parallel import workers as module
from rowcall.runs.parallel.workers import Workers

MANY = 100


def test_few_tasks_and_one_worker_need_no_process() -> None:
    for count, n_tasks in ((1, MANY), (2, module._MIN_TASKS - 1)):
        with closing(Workers(count)) as workers:
            workers.expect(n_tasks)
            assert not workers.are_running
            assert workers.submit(os.getpid).result() == os.getpid()


def test_tasks_are_done_elsewhere_by_one_thread_and_what_they_log_is_logged_here(
    caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]
) -> None:
    with closing(Workers(2)) as workers:
        workers.expect(MANY)
        tasks = [workers.submit(abs, -n) for n in range(6)]
        who, threads = workers.submit(os.getpid), workers.submit(os.getenv, "POLARS_MAX_THREADS")
        workers.submit(complain, "a\nb").result()
        assert [task.result() for task in tasks] == [0, 1, 2, 3, 4, 5]
        assert who.result() != os.getpid()
        assert threads.result() == "1"
    (record,) = caplog.records
    assert (record.name, record.levelname) == ("rowcall.test", "ERROR")
    assert record.getMessage() == "It failed: a\nb."
    assert record.exc_text is not None
    assert record.exc_text.splitlines()[0] == "Traceback (most recent call last):"
    assert record.exc_text.splitlines()[-1] == "ValueError: a\\u000ab"
    assert capfd.readouterr() == ("", "")


def test_a_process_that_dies_once_costs_time_and_one_that_dies_again_its_task(
    tmp_path: Path,
) -> None:
    with closing(Workers(2)) as workers:
        workers.expect(MANY)
        tasks = [workers.submit(abs, -n) for n in range(3)]
        once = workers.submit(live_the_second_time, tmp_path / "mark", "lives")
        always = workers.submit(die)
        later = workers.submit(abs, 3)
        assert [task.result() for task in (*tasks, later)] == [0, 1, 2, 3]
        assert once.result() == "lives"
        with pytest.raises(WorkerLostError):
            always.result()
        assert workers.submit(abs, 4).result() == 4


class Dead(Executor):
    """Processes that end as soon as they begin."""

    def submit(self, do: Callable[..., Any], /, *_: Any, **__: Any) -> Future[Any]:
        future = Future[Any]()
        future.set_exception(BrokenExecutor())
        return future


def no_semaphores(count: int) -> Executor:
    raise OSError(38, "Function not implemented")


@pytest.mark.parametrize("make", [lambda count: Dead(), no_semaphores])
def test_where_no_process_lives_this_one_does_all(
    make: Callable[[int], Executor], caplog: pytest.LogCaptureFixture
) -> None:
    with closing(Workers(2, make=make)) as workers:
        workers.expect(MANY)
        tasks = [workers.submit(os.getpid) for _ in range(3)]
        assert {task.result() for task in tasks} == {os.getpid()}
        workers.expect(MANY)
        assert not workers.are_running
    assert [record.levelname for record in caplog.records] == ["WARNING"]


_KILLED = """
import os, signal, sys, time
from rowcall.runs.parallel.pool import Pool
if __name__ == "__main__":
    pool = Pool(1)
    pool.submit(os.getpid).result()
    pool.submit(time.sleep, 600)
    os.kill(os.getpid(), signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)
"""


def test_workers_end_with_the_process_that_started_them(tmp_path: Path) -> None:
    script = tmp_path / "killed.py"
    script.write_text(_KILLED, encoding="utf-8")
    # It returns when nobody has the pipe open any more, which the worker has too.
    subprocess.run([sys.executable, str(script)], stdout=subprocess.PIPE, check=False, timeout=60)
