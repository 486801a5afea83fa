"""One run at a time: a second one waits its turn, or leaves with a clear word."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from rowcall.errors import BusyError, StoreError
from rowcall.store.upkeep.leftovers import remove_leftovers


@contextmanager
def hold_site(store: Path, wait_s: float, progress: Callable[[str], None]) -> Iterator[None]:
    """Hold the site's lock file (beside the store) for the length of the block.

    The operating system lets go of it when a run ends in whatever way, so a killed run blocks
    nobody; what it has left beside the store is removed here, by the first run that can.

    Raises:
        BusyError: another run still held it after `wait_s` seconds.
        StoreError: the lock file cannot be written, or what is left cannot be removed.
    """
    lock = FileLock(store.with_name(store.name + ".lock"))
    try:
        store.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire(timeout=0)
    except Timeout:
        progress(f"Another rowcall run is at work on {store.name}; waiting up to {wait_s:.0f} s.")
        try:
            lock.acquire(timeout=wait_s)
        except Timeout as error:
            raise BusyError(
                f"Another rowcall run is at work on {store.name} and did not end within "
                f"{wait_s:.0f} s. Nothing was done; start this run again later."
            ) from error
    except OSError as error:
        raise StoreError(
            f"{lock.lock_file}: the lock file beside the store cannot be written "
            f"({error.strerror or error}); check that this account may write to it and its folder."
        ) from error
    try:
        remove_leftovers(store)
        yield
    finally:
        lock.release()
