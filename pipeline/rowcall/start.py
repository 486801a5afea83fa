"""What lets a process begin and end quickly, whatever it does in between."""

from __future__ import annotations

import atexit
import gc
import os
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

_AGAIN_S = 0.05  # chosen: by then the callback that dropped an exception has ended


def start_quickly() -> None:
    """Settle how this process loads and lets go of what it uses; to be called first of all.

    Nothing that is computed depends on it, but for the last digits of linear algebra by several
    threads.
    """
    # Loading modules makes many objects and no garbage: looking for it costs a tenth of the start,
    # and at the end, when all goes anyway, as much as reading a day of samples.
    gc.set_threshold(150_000)
    atexit.unregister(gc.freeze)
    atexit.register(gc.freeze)
    # The linear algebra here is small; starting threads for it takes half of numpy's loading.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Arrays in large pages take up to ten times as long to be made on a machine shared with others.
    os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")
    # Plugins of pydantic would change what a site file means, and are looked for in every package.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    # Memory that frames let go of is given back within a tenth of a second instead of ten, as the
    # arrays made of them need as much again: a tenth less at the peak, for a hundredth of the time.
    os.environ.setdefault("_RJEM_MALLOC_CONF", "dirty_decay_ms:100,muzzy_decay_ms:0")


@contextmanager
def stopping() -> Iterator[list[int]]:
    """Raise KeyboardInterrupt at SIGINT and SIGTERM alike; yield the signals that came.

    Only the list is certain: a library in whose work a signal falls may raise an error of its own.
    Where Python itself drops the exception, as in callbacks of its collector, it is raised again.
    A signal that was ignored from outside (as by nohup) stays so.
    """
    came: list[int] = []
    said_before = sys.unraisablehook

    def stop(number: int, _: FrameType | None) -> None:
        came.append(number)
        raise KeyboardInterrupt

    def dropped(what: sys.UnraisableHookArgs) -> None:
        if came and what.exc_type is KeyboardInterrupt:
            threading.Timer(_AGAIN_S, signal.raise_signal, (came[-1],)).start()
        else:
            said_before(what)

    sys.unraisablehook = dropped
    before = {}
    if threading.current_thread() is threading.main_thread():  # the only one that may ask for them
        before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    caught = [number for number, handler in before.items() if handler is not signal.SIG_IGN]
    for number in caught:
        signal.signal(number, stop)
    try:
        yield came
    finally:
        sys.unraisablehook = said_before
        for number in caught:
            signal.signal(number, before[number])
