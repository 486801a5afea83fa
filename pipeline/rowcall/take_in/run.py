"""Taking export files into the store, one transaction an export.

What works with numbers is imported where it is used: loading it takes as long as reading a day, and
so is done beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing
from datetime import datetime
from functools import cache
from itertools import zip_longest
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from rowcall.errors import ExportError, printable
from rowcall.progress import Step
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.ledger import Seen, has_size, note_seen, seen_files
from rowcall.take_in.files.inbox import SETTLE_S, is_settled, leads_out, name_within
from rowcall.take_in.files.sources import fits, sources_in
from rowcall.take_in.files.unchanged import ChangedError, FileState, Watched
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.load.prefetch import Ahead
from rowcall.take_in.outcome import FUTURE, Outcome, Run, TakenIn

if TYPE_CHECKING:
    from rowcall.file_note import FileNote
    from rowcall.take_in.load.storing import Stored

# Known files are counted; of the others the caller gets a sentence, to be said at the end.
_UNSAID = (Outcome.KNOWN, Outcome.REFUSED, Outcome.WAITING)
_WORKERS = 3  # one that digests, one that reads, one that cuts


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
    """Take files into the store, in the given order; of two exports the one written later counts.

    Args:
        store: an open store, outside of a transaction.
        site: its plant's zone and what it says of exports.
        paths: the files, as from `find_exports`.
        now: the present instant (aware).
        progress: gets in a few words what happens.
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
        present: returns the present instant (aware), anew for each file.
    """

    def run_now() -> Run:
        return Run(store, site, present(), settle_s, memory or Memory())

    ahead: Ahead | None = None
    seen, n_known = seen_files(store, FUTURE), 0
    try:
        for number, (path, following) in enumerate(zip_longest(paths, paths[1:]), start=1):
            mine, ahead = ahead, None
            file = _as_seen(site, path)
            if mine is None and file in seen and (known := _known(run_now(), path, seen[file])):
                n_known += 1
                yield from known
                continue
            run = mine.run if mine else run_now()

            def begin_next(path: Path | None = following) -> None:
                nonlocal ahead
                if ahead is None and path is not None:
                    ahead = Ahead.begin(run_now(), path)

            name = name_within(site.inbox, path)
            progress(Step(printable(f"taking in {name}"), number, len(paths)))
            results = []
            for own_name, result in _take_in_file(run, path, name, mine, begin_next):
                results.append(result)
                if result.outcome not in _UNSAID:
                    counted = printable(f"{own_name}: {_counted(result)}")
                    progress(result.message or Step(counted, number, len(paths)))
                yield result
            n_known += all(result.outcome is Outcome.KNOWN for result in results)
            _note_seen(store, file, _as_seen(site, path), results)
        if n_known:
            progress(f"{n_known:,} {'file' if n_known == 1 else 'files'} already taken in.")
    finally:
        if ahead is not None:
            ahead.close()


def _as_seen(site: Site, path: Path) -> Seen | None:
    """Return a file as it is on disk, None where it cannot be looked at."""
    try:
        now = path.stat()
    except OSError:
        return None
    return Seen(name_within(site.inbox, path), now.st_size, now.st_mtime_ns)


def _known(run: Run, path: Path, exports: Sequence[tuple[FileNote | None, bool]]) -> list[TakenIn]:
    """Return the results of a file that was taken in and is as it was; none where rows are due."""
    found = []
    for note, is_ahead in exports:
        if note is None or (is_ahead and _is_due(run, note.sha256)):
            return []
        found.append(TakenIn(path, Outcome.KNOWN, note, ""))
    return found


def _is_due(run: Run, digest: str) -> bool:
    """True where rows of a known content lay ahead of the clock, and no longer do."""
    from rowcall.take_in.load.storing import due

    return due(run, digest) is not None


def _note_seen(
    store: Store, before: Seen | None, after: Seen | None, results: Sequence[TakenIn]
) -> None:
    """Note that a file is taken in, where all of it is, and it did not change meanwhile."""
    digests = [result.note.sha256 for result in results if result.note is not None]
    if before is not None and before == after and digests and len(digests) == len(results):
        note_seen(store, before, digests)


def _counted(result: TakenIn) -> str:
    """Return what became of an export, with the rows set aside beside what was stored."""
    note = result.note
    if note is None:
        return str(result.outcome)
    rows = "row" if note.set_aside == 1 else "rows"
    return f"{result.outcome}, {note.set_aside:,} {rows} set aside"


def _take_in_file(
    run: Run, path: Path, name: str, ahead: Ahead | None, begin_next: Callable[[], None]
) -> Iterator[tuple[str, TakenIn]]:
    try:
        if ahead is not None:
            with closing(ahead):
                yield name, _take_in_source(run, ahead.watched, ahead, begin_next)
            return
        if leads_out(run.site.inbox, path):
            raise ExportError(
                f"{name}: a link that leads out of the inbox is not followed; copy the file into "
                "the inbox."
            )
        before = FileState.of(path)
        if not is_settled(path, run.now, run.settle_s):
            text = (
                f"{name}: written to in the last {run.settle_s:g} s, so it waits for the next run."
            )
            yield name, TakenIn(path, Outcome.WAITING, None, printable(text))
            return
        for source in sources_in(path, name, run.site.take_in.largest_unpacked):
            yield source.name, _take_in_source(run, Watched(source, before), None, begin_next)
    except ExportError as error:
        yield name, TakenIn(path, Outcome.REFUSED, None, str(error))
    except OSError as error:
        reason = error.strerror or str(error)
        text = f"{name}: the file cannot be read ({reason}); check that it is still there."
        yield name, TakenIn(path, Outcome.REFUSED, None, printable(text))


def _take_in_source(
    run: Run, watched: Watched, ahead: Ahead | None, begin_next: Callable[[], None]
) -> TakenIn:
    source = watched.source
    try:
        try:
            if ahead is not None:
                from rowcall.take_in.load.storing import store

                outcome, note, message = store(
                    run,
                    watched,
                    ahead.digest.result,
                    lambda: ahead.opened,
                    begin_next,
                    ahead.held.result,
                )
            else:
                outcome, note, message = _store(run, watched, begin_next)
        except ExportError:
            watched.check()  # half of a file may well be unreadable
            raise
    except ChangedError:
        text = f"{source.name}: it changed while it was being read, so it waits for the next run."
        return TakenIn(source.path, Outcome.WAITING, None, printable(text))
    except ExportError as error:
        return TakenIn(source.path, Outcome.REFUSED, None, str(error))
    return TakenIn(source.path, outcome, note, message)


def _store(run: Run, watched: Watched, begin_next: Callable[[], None]) -> Stored:
    """Store an export; reading, hashing and cutting hold no interpreter's lock, so all else loads.

    An export that may be known is not opened before its digest says whether it is.
    """
    source, overrides = watched.source, run.site.take_in_settings
    if source.problem:
        raise ExportError(source.problem)
    fits(source, overrides, run.memory.whole_bytes)
    given_up = Event()
    with ThreadPoolExecutor(max_workers=_WORKERS) as pool, ExitStack() as ends:
        digest = pool.submit(source.sha256, given_up)
        ends.callback(given_up.set)  # a file that is refused at once need not be read to its end
        from rowcall.take_in.read.opening import Opened, open_export

        @cache
        def opened() -> Opened:
            one = open_export(source, overrides, run.memory, pool)
            ends.callback(one.close)
            return one

        if not has_size(run.store, source.size_bytes):
            opened()

        from rowcall.take_in.load.storing import store

        return store(run, watched, digest.result, opened, begin_next)
