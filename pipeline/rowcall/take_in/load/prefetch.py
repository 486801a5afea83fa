"""The next export, read while the one before it is being stored: that leaves a processor idle."""

from __future__ import annotations

from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rowcall.errors import ExportError
from rowcall.store.ledger import has_size
from rowcall.take_in.files.content import Content
from rowcall.take_in.files.inbox import is_settled, name_within
from rowcall.take_in.files.sources import fits, pieces_of
from rowcall.take_in.files.unchanged import FileState, Watched
from rowcall.take_in.outcome import Run

if TYPE_CHECKING:
    from rowcall.take_in.load.assemble import Assembled

_WORKERS = 4  # one that reads, one that cuts, one that sorts, and one to bring them together


@dataclass(slots=True)
class Ahead:
    """An export that is being read before its turn.

    Attributes:
        run: as it was when reading began.
        assembled: its samples, None where it turns out to be too large for memory.
    """

    run: Run
    watched: Watched
    content: Content
    assembled: Future[Assembled | None]
    _pool: ThreadPoolExecutor

    @classmethod
    def begin(cls, run: Run, path: Path) -> Ahead | None:
        """Begin to read an export, None where that had better wait for its turn.

        That is where it may be known, is still being written, cannot be read, holds several
        exports, or is so large that two of them would take too much memory.
        """
        if path.suffix.lower() == ".zip":
            return None
        pins, name = run.site.take_in_settings, name_within(run.site.inbox, path)
        try:
            before = FileState.of(path)
            (piece,) = pieces_of(path, name, pins.largest_unpacked)
            if not is_settled(path, run.now, run.settle_s) or has_size(run.store, piece.size_bytes):
                return None
            if not fits(piece, pins, run.memory.whole_bytes // 2):
                return None
        except (ExportError, OSError):
            return None  # told at its turn

        from rowcall.take_in.load.storing import true_bounds
        from rowcall.take_in.load.whole import assemble_whole

        pool = ThreadPoolExecutor(_WORKERS)
        content = Content(pool, piece, run.memory.block_bytes)
        zone, most, bounds = run.site.plant.zone, run.memory.whole_bytes, true_bounds(run)
        assembled = pool.submit(assemble_whole, piece, content, pins, zone, bounds, most)
        return cls(run, Watched(piece, before), content, assembled, pool)

    def close(self) -> None:
        """Read no further."""
        self.content.close()
        self._pool.shutdown()
