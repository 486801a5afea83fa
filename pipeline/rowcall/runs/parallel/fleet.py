"""Tasks done by the workers of a Dask cluster, under the same promise as processes of this machine.

Samples are sent as arguments and results fetched from the workers: scattered samples would be lost
with their worker. Dask gives what a lost worker was at to another one. Whatever else is wrong with
the cluster breaks this executor, so that `Workers` does the rest in this process: a report in the
morning is worth more than the time it takes.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, InvalidStateError
from contextlib import suppress
from threading import Event, Thread
from time import monotonic
from typing import Any, NamedTuple, ParamSpec, TypeVar

import dask
from distributed import Client, KilledWorker, Worker, get_worker

from rowcall.runs.parallel.logged import RefusedError
from rowcall.runs.parallel.same_setup import Setup, found_setup, wanted_setup

P = ParamSpec("P")
T = TypeVar("T")

# All chosen. A cluster may restart its workers, or a network be away for moments.
_CONNECT_S = 10.0
_PATIENCE_S = 30.0  # without any worker, or any word of the scheduler
_LOOK_S = 2.0

_START = "POLARS_MAX_THREADS=1 dask worker {} --nthreads 1 --nworkers N"


class _Done(NamedTuple):
    """What a worker sends back.

    Attributes:
        unlike: its setup, where it is another than the wanted one; the task was not done then.
        error: what the task raised.
    """

    worker: str
    unlike: Setup | None = None
    value: Any = None
    error: Exception | None = None


def _setup_of(dask_worker: Worker) -> Setup:
    return found_setup(dask_worker.state.nthreads)


def _do(wanted: Setup, do: Callable[..., Any], *args: Any, **kwargs: Any) -> _Done:
    """Do a task on a worker; workers may come at any time, so that each task looks where it is."""
    worker = get_worker()
    found = _setup_of(worker)
    if found != wanted:
        return _Done(worker.address, found)
    try:
        return _Done(worker.address, value=do(*args, **kwargs))
    except Exception as error:
        return _Done(worker.address, error=error)


class Fleet(Executor):
    """The workers of a cluster.

    Attributes:
        n_threads: how many tasks they do at a time, as last seen.
    """

    def __init__(self, address: str) -> None:
        """Connect.

        Raises:
            OSError: nothing answers there, or a worker must not do tasks of this process.
        """
        self._wanted, self._address = wanted_setup(), address
        self._open, self._ended = set[Future[Any]](), Event()
        dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 GB"})  # samples
        try:
            self._client = Client(
                address, timeout=_CONNECT_S, set_as_default=False, direct_to_workers=True
            )
        except (OSError, TypeError, ValueError) as error:
            raise OSError(
                f"no Dask scheduler answers at {address} ({error}); check the address, and that "
                "`dask scheduler` runs there"
            ) from error
        try:
            self.n_threads = self._checked_threads()
        except BaseException:
            self._client.close(timeout=_LOOK_S)
            raise
        # Not pure: a task is done again where it is asked for again, as processes do.
        self._tasks = self._client.get_executor(pure=False)
        Thread(target=self._watch, daemon=True).start()

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Hand over a task, a function of a module.

        Raises:
            RefusedError: the cluster is gone.
        """
        future = Future[T]()
        self._open.add(future)
        try:
            task = self._tasks.submit(_do, self._wanted, fn, *args, **kwargs)
        except (OSError, RuntimeError, ValueError) as error:  # its connection is closed
            raise self._gone() from error
        task.add_done_callback(lambda task: self._settle(future, task))
        if self._ended.is_set():
            self._fail(future, self._gone())
        return future

    def shutdown(self, wait: bool = False, *, cancel_futures: bool = True) -> None:
        """Let go of the cluster at once; its workers end what they are at, and no more of it."""
        self._ended.set()
        with suppress(Exception):  # the scheduler may be gone
            self._client.close(timeout=_LOOK_S)

    def _checked_threads(self) -> int:
        """Return how many tasks are done at a time; each worker is to be set up as this process."""
        with suppress(TimeoutError):
            self._client.wait_for_workers(1, timeout=_PATIENCE_S)
        asked: dict[str, Any] = self._client.run(_setup_of, on_error="return")
        found = {name: one for name, one in asked.items() if not isinstance(one, OSError)}  # gone
        if not found:
            raise OSError(
                f"the Dask cluster at {self._address} has no worker; start some with "
                f"`{_START.format(self._address)}`"
            )
        refused = [text for name, setup in found.items() if (text := self._refused(name, setup))]
        if refused:
            raise OSError(self._what_to_do("; ".join(refused)))
        return len(found)

    def _refused(self, worker: str, found: object) -> str:
        """Return why a worker must not do tasks of this process; empty where it may."""
        if not isinstance(found, dict):
            return f"worker {worker} cannot load rowcall ({found})"
        unlike = [
            f"{name} {found.get(name, 'missing')} instead of {value}"
            for name, value in self._wanted.items()
            if found.get(name) != value
        ]
        return f"worker {worker} has {', '.join(unlike)}" if unlike else ""

    def _gone(self) -> RefusedError:
        return RefusedError(f"the Dask scheduler at {self._address}, or all its workers, went away")

    def _what_to_do(self, refused: str) -> str:
        return (
            f"{refused}, so that its last digits may differ; install there what is installed here, "
            f"and start workers with `{_START.format(self._address)}`"
        )

    def _settle(self, future: Future[Any], task: Future[Any]) -> None:
        """Give a future what became of its task on the cluster."""
        if task.cancelled():
            self._fail(future, self._gone())
        elif isinstance(error := task.exception(), KilledWorker):
            self._fail(future, BrokenExecutor())
        elif error is not None:  # of Dask: those of the task itself are among its results
            self._fail(future, RefusedError(f"the Dask cluster failed ({error})"))
        elif (done := task.result()).unlike is not None:
            refused = self._what_to_do(self._refused(done.worker, done.unlike))
            self._fail(future, RefusedError(refused))
        else:
            self._open.discard(future)
            with suppress(InvalidStateError):  # given up meanwhile
                if done.error is None:
                    future.set_result(done.value)
                else:
                    future.set_exception(done.error)

    def _fail(self, future: Future[Any], error: Exception) -> None:
        self._open.discard(future)
        with suppress(InvalidStateError):  # it is done already
            future.set_exception(error)

    def _watch(self) -> None:
        """Give up where nothing is known of any worker for long; nobody else would notice."""
        seen = monotonic()
        while not self._ended.wait(_LOOK_S):
            with suppress(Exception):
                threads = self._client.sync(self._client.scheduler.ncores, callback_timeout=_LOOK_S)
                if threads:
                    seen, self.n_threads = monotonic(), sum(threads.values())
            if monotonic() - seen > _PATIENCE_S:
                self._ended.set()
                for future in list(self._open):
                    self._fail(future, self._gone())
