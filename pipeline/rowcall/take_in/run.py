"""Taking export files into the store, one transaction an export.

What works with numbers is imported where it is used: loading it takes as long as reading a day, and
so is done beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import closing
from datetime import datetime
from itertools import zip_longest
from pathlib import Path
from typing import TYPE_CHECKING

from rowcall.errors import ExportError, printable
from rowcall.site import Site
from rowcall.store import Store
from rowcall.take_in.files.content import Content
from rowcall.take_in.files.inbox import SETTLE_S, is_settled, name_within
from rowcall.take_in.files.sources import fits, pieces_of
from rowcall.take_in.files.unchanged import ChangedError, FileState, Watched
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.load.prefetch import Ahead
from rowcall.take_in.outcome import Outcome, Run, TakenIn

if TYPE_CHECKING:
    from rowcall.take_in.load.storing import Stored


def take_in(
    store: Store,
    site: Site,
    paths: Sequence[Path],
    *,
    now: datetime,
    progress: Callable[[str], None],
    settle_s: float = SETTLE_S,
    memory: Memory | None = None,
) -> list[TakenIn]:
    """Take files into the store, in the given order, so that of two exports the later one counts.

    Args:
        store: an open store, outside of a transaction.
        site: its plant's zone and what it says of exports.
        paths: the files, as from `find_exports`.
        now: the present instant (aware).
        progress: is told in a few words what happens.
        settle_s: a file written to less than this long before `now` waits for the next run.
        memory: how much of an export is held at once; None for what suits a small computer.

    Returns one result a file, and for a zip archive one for each export in it. What cannot be
    read is refused and the others go on. Failures of the store are raised.
    """
    one_by_one = taking_in(
        store,
        site,
        paths,
        present=lambda: now,
        progress=progress,
        settle_s=settle_s,
        memory=memory,
    )
    return list(one_by_one)


def taking_in(
    store: Store,
    site: Site,
    paths: Sequence[Path],
    *,
    present: Callable[[], datetime],
    progress: Callable[[str], None],
    settle_s: float = SETTLE_S,
    memory: Memory | None = None,
) -> Iterator[TakenIn]:
    """Take in files as `take_in` does, and return each result as soon as it is in the store.

    Args:
        present: tells the present instant (aware), anew for each file.
    """

    def run_now() -> Run:
        return Run(store, site, present(), settle_s, memory or Memory())

    ahead: Ahead | None = None
    try:
        for path, following in zip_longest(paths, paths[1:]):
            mine, ahead = ahead, None
            run = mine.run if mine else run_now()

            def begin_next(path: Path | None = following) -> None:
                nonlocal ahead
                if ahead is None and path is not None:
                    ahead = Ahead.begin(run_now(), path)

            name = name_within(site.inbox, path)
            progress(printable(f"taking in {name}"))
            for own_name, result in _take_in_file(run, path, name, mine, begin_next):
                progress(result.message or printable(f"{own_name}: {result.outcome}"))
                yield result
    finally:
        if ahead is not None:
            ahead.close()


def _take_in_file(
    run: Run, path: Path, name: str, ahead: Ahead | None, begin_next: Callable[[], None]
) -> Iterator[tuple[str, TakenIn]]:
    try:
        if ahead is not None:
            with closing(ahead):
                yield name, _take_in_piece(run, ahead.watched, ahead, begin_next)
            return
        before = FileState.of(path)
        if not is_settled(path, run.now, run.settle_s):
            text = (
                f"{name}: written to in the last {run.settle_s:g} s, so it waits for the next run."
            )
            yield name, TakenIn(path, Outcome.WAITING, None, printable(text))
            return
        for piece in pieces_of(path, name, run.site.take_in.largest_unpacked):
            yield piece.name, _take_in_piece(run, Watched(piece, before), None, begin_next)
    except ExportError as error:
        yield name, TakenIn(path, Outcome.REFUSED, None, str(error))
    except OSError as error:
        reason = error.strerror or str(error)
        text = f"{name}: the file cannot be read ({reason}); check that it is still there."
        yield name, TakenIn(path, Outcome.REFUSED, None, printable(text))


def _take_in_piece(
    run: Run, watched: Watched, ahead: Ahead | None, begin_next: Callable[[], None]
) -> TakenIn:
    piece = watched.piece
    try:
        try:
            if ahead is not None:
                from rowcall.take_in.load.storing import store_whole

                assembled = ahead.assembled.result
                outcome, note, told = store_whole(
                    run, watched, ahead.content, begin_next, assembled
                )
            else:
                with ThreadPoolExecutor(max_workers=3) as pool:
                    outcome, note, told = _store(run, watched, pool, begin_next)
        except ExportError:
            watched.check()  # half of a file may well be unreadable
            raise
    except ChangedError:
        text = f"{piece.name}: it changed while it was being read, so it waits for the next run."
        return TakenIn(piece.path, Outcome.WAITING, None, printable(text))
    except ExportError as error:
        return TakenIn(piece.path, Outcome.REFUSED, None, str(error))
    return TakenIn(piece.path, outcome, note, told)


def _store(run: Run, watched: Watched, pool: Executor, begin_next: Callable[[], None]) -> Stored:
    """Store a piece; reading, hashing and cutting hold no interpreter's lock, so all else loads."""
    piece, pins = watched.piece, run.site.take_in_settings
    if piece.problem:
        raise ExportError(piece.problem)
    if not fits(piece, pins, run.memory.whole_bytes):
        from rowcall.take_in.load.storing import store_large

        return store_large(run, watched)
    # Closed in the end, else the threads would wait for somebody to take what they bring.
    with closing(Content(pool, piece, run.memory.block_bytes)) as content:
        from rowcall.take_in.read.beginning import begin_new

        begin_new(run.store, piece, content, pins, pool)

        from rowcall.take_in.load.storing import store_whole

        return store_whole(run, watched, content, begin_next)
