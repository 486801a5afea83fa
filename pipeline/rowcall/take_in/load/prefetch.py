"""The next export, read while the one before it is being stored: that leaves a processor idle."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from rowcall.errors import ExportError
from rowcall.store.ledger import has_size
from rowcall.take_in.files.inbox import is_settled, leads_out, name_within
from rowcall.take_in.files.sources import fits, sources_in
from rowcall.take_in.files.unchanged import FileState, Watched
from rowcall.take_in.outcome import Run

if TYPE_CHECKING:
    from rowcall.take_in.load.storing import Held
    from rowcall.take_in.read.opening import Opened

_WORKERS = 4  # one that digests, one that reads, one that cuts, and one to bring it together


@dataclass(slots=True)
class Ahead:
    """An export that is being read before its turn.

    Attributes:
        run: as it was when reading began.
        digest: the digest of its content.
        held: what was read of it, None where it turns out to be too large for memory.
        opened: the export, to be read through once more.
    """

    run: Run
    watched: Watched
    digest: Future[str]
    held: Future[Held]
    opened: Opened
    _pool: ThreadPoolExecutor
    _given_up: Event

    @classmethod
    def begin(cls, run: Run, path: Path) -> Ahead | None:
        """Begin to read an export, None where that had better wait for its turn.

        That is where it may be known, is still being written, cannot be read, holds several
        exports, or is so large that two of them would take too much memory.
        """
        if path.suffix.lower() == ".zip" or leads_out(run.site.inbox, path):
            return None
        overrides, name = run.site.take_in_settings, name_within(run.site.inbox, path)
        try:
            before = FileState.of(path)
            (source,) = sources_in(path, name, overrides.largest_unpacked)
            may_wait = has_size(run.store, source.size_bytes) or not (
                is_settled(path, run.now, run.settle_s)
                and fits(source, overrides, run.memory.whole_bytes // 2)
            )
            if may_wait:
                return None
        except (ExportError, OSError):
            return None  # reported at its turn

        from rowcall.take_in.load.storing import hold, true_bounds
        from rowcall.take_in.read.opening import open_export

        pool, given_up = ThreadPoolExecutor(_WORKERS), Event()
        digest = pool.submit(source.sha256, given_up)
        try:
            opened = open_export(source, overrides, run.memory, pool)
        except (ExportError, OSError):
            given_up.set()
            pool.shutdown()
            return None
        held = pool.submit(hold, run, opened, true_bounds(run))
        return cls(run, Watched(source, before), digest, held, opened, pool, given_up)

    def close(self) -> None:
        """Read no further."""
        self._given_up.set()
        self.opened.close()
        self._pool.shutdown()
