"""Worker processes that do what they are handed and say nothing themselves."""

from __future__ import annotations

import logging
import os
import signal
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import forkserver, get_context
from multiprocessing.connection import Connection
from multiprocessing.context import BaseContext
from threading import Thread
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")

# Read by polars and the linear algebra when they are loaded: the processes share the cores.
_THREADS = ("POLARS_MAX_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")

# What each task loads, seconds of work: loaded once where a process that has no threads can fork.
_LOADED = ["rowcall.runs.study", "rowcall_reports.figures.all_pictures"]

_MAX_COUNT = 61  # what Windows can wait for; one process that judges keeps no more busy


class Pool(ProcessPoolExecutor):
    """Processes that end with this one, in whatever way it ends, and not by Ctrl-C before."""

    def __init__(self, count: int) -> None:
        context = _context()
        # Never written to: it ends where this process does, or lets go of the pool.
        self._end, self._line = context.Pipe(duplex=False)
        super().__init__(min(count, _MAX_COUNT), context, _prepare, (self._end,))

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Hand over a task; a process that is started for it inherits that Ctrl-C waits."""
        with _without_interrupts():
            return super().submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = False, *, cancel_futures: bool = True) -> None:
        """End the processes at once, whatever they are at."""
        super().shutdown(wait=wait, cancel_futures=cancel_futures)
        self._line.close()
        self._end.close()


def _context() -> BaseContext:
    """Return how processes start: a fork of this one would take along locks of threads at work."""
    if sys.platform != "linux":  # elsewhere libraries that the system brings may have threads
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(_LOADED)
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        forkserver.ensure_running()
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
    return context


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """Let Ctrl-C wait for the length of the block, where the system has a way to."""
    if sys.platform == "win32":
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _prepare(end: Connection) -> None:
    """Make a new process a worker."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    logging.captureWarnings(True)
    Thread(target=_leave_with, args=(end,), daemon=True).start()


def _leave_with(end: Connection) -> None:
    """Leave as soon as the process at the other end has, or wants it."""
    with suppress(EOFError, OSError):
        end.recv()
    os._exit(0)
