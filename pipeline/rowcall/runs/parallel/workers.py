"""Tasks done by worker processes, or by this one; a process that dies costs one of them at most."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable
from concurrent.futures import BrokenExecutor, Executor, Future, wait
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Generic, ParamSpec, TypeVar

from rowcall.errors import WorkerLostError
from rowcall.runs.parallel.logged import Logged, RefusedError, logged

P = ParamSpec("P")
T = TypeVar("T")
_LOG = logging.getLogger(__name__)

# Chosen: a worker takes 2.5 CPU-s to start, a baghouse-day 1 to 2 (tests/benchmarks/RESULTS.md).
_MIN_TASKS = 4
_LOOK_S = 0.2  # chosen: where libraries handle Ctrl-C too, it does not end a wait for a result


def _processes(count: int) -> Executor:
    from rowcall.runs.parallel.pool import Pool  # most nights do without

    return Pool(count)


@dataclass(slots=True, eq=False)
class Task(Generic[T]):
    """A task; done by this process, when its result is asked for, where it has no future."""

    do: Callable[[], T]
    workers: Workers
    future: Future[Logged] | None = None

    def result(self) -> T:
        """Wait for the task and return what it returned; what it logged is logged here.

        Raises:
            WorkerLostError: it costs a process whenever it is done.
        """
        if self.future is not None and _is_lost(self.future):
            self.workers.repeat_lost()
        if self.future is None:
            return self.do()
        self.workers.forget(self)
        value, records = self.future.result()
        for record in records:
            logging.getLogger(record.name).handle(record)
        done: T = value
        return done


@dataclass(slots=True, eq=False)
class Workers:
    """Up to `count` workers, started where there is enough to do for them.

    Attributes:
        make: returns what does tasks in so many processes; where it has `n_threads`, in so many at
            the time.
    """

    count: int
    make: Callable[[int], Executor] = _processes
    _pool: Executor | None = None
    _open: list[Task[Any]] = field(default_factory=list)

    @property
    def are_running(self) -> bool:
        """Whether tasks are done elsewhere, beside what this process does."""
        return self._pool is not None

    def expect(self, n_tasks: int) -> None:
        """Start the processes, where so many tasks are worth it."""
        if self._pool is None and self.count > 1 and n_tasks >= _MIN_TASKS:
            self._start()
        self.count = getattr(self._pool, "n_threads", self.count)  # a cluster may grow

    def submit(self, do: Callable[P, T], *given: P.args, **named: P.kwargs) -> Task[T]:
        """Hand over a task."""
        task = Task(partial(do, *given, **named), self)
        if self._pool is not None:
            self._open.append(task)
            try:
                task.future = self._pool.submit(logged, task.do)
            except BrokenExecutor as error:  # by a task before, or a process without one
                task.future = _failed(error)
        return task

    def forget(self, task: Task[Any]) -> None:
        """Let go of a task; whether it is still done matters to nobody."""
        if task in self._open:
            self._open.remove(task)

    def repeat_lost(self) -> None:
        """Do the tasks that a lost process left undone, one by one: the one that costs it shows."""
        lost = {task: task.future for task in self._open if task.future and _is_lost(task.future)}
        self._renew(lost.values())
        for task in lost:
            task.future = self._alone(task.do)

    def _alone(self, do: Callable[[], Any]) -> Future[Logged] | None:
        """Return a task that is done, with nothing else at work; None where this process is to."""
        if self._pool is None:
            return None
        try:
            future = self._pool.submit(logged, do)
        except BrokenExecutor as error:
            future = _failed(error)
        if _is_lost(future):
            self._renew([future])
            if isinstance(future.exception(), RefusedError):
                return None
            return _failed(WorkerLostError("its process was killed, or ran out of memory, twice"))
        return future

    def _renew(self, lost: Iterable[Future[Logged]]) -> None:
        """Start new workers; where they refuse tasks, or die with nothing to do, do without."""
        for future in lost:
            if isinstance(error := future.exception(), RefusedError):
                self._do_without(str(error))
                return
        self.close()
        self._start()
        if self._pool is None:
            return
        try:
            self._pool.submit(logged, int).result()
        except BrokenExecutor as error:
            is_known = isinstance(error, RefusedError)
            self._do_without(str(error) if is_known else "the system ends them")

    def _start(self) -> None:
        try:
            self._pool = self.make(self.count)
        except (OSError, ImportError, NotImplementedError) as error:  # none of their semaphores
            self._do_without(str(error))

    def _do_without(self, why: str) -> None:
        self.close()
        self.count = 1
        _LOG.warning("The run goes on without worker processes: %s.", why)

    def close(self) -> None:
        """End the processes, whatever they are at."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None


def _is_lost(future: Future[Logged]) -> bool:
    """Wait for a task and return whether it went with its process."""
    while wait([future], _LOOK_S).not_done:
        pass
    return isinstance(future.exception(), BrokenExecutor)


def _failed(error: Exception) -> Future[Logged]:
    future = Future[Logged]()
    future.set_exception(error)
    return future
