"""Taking export files into the store, one transaction an export."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from threading import Event

import polars as pl

from rowcall.day_report import FileNote
from rowcall.errors import ExportError
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.batch import Export, LargeExport
from rowcall.store.ledger import find_file, has_size
from rowcall.store.staging import staging
from rowcall.store.writing import store_export, store_parts
from rowcall.take_in.advice import advice
from rowcall.take_in.chunks import Memory
from rowcall.take_in.folder import SETTLE_S, is_settled, name_within
from rowcall.take_in.large import first_aside, parts, stage
from rowcall.take_in.pieces import pieces_of, reading
from rowcall.take_in.times import Bounds
from rowcall.take_in.watching import ChangedError, FileState, Watched
from rowcall.take_in.whole import assemble_whole, content_of


class Outcome(StrEnum):
    """What became of one export."""

    STORED = "stored"
    KNOWN = "known"  # its content was taken in before
    REFUSED = "refused"  # nothing of it is stored
    WAITING = "waiting"  # it is, or may be, still being written


@dataclass(frozen=True, slots=True)
class TakenIn:
    """One export's outcome: a file's, or a member's of a zip archive.

    `note` is its line of the ledger (stored, known); `message` a plain sentence, never empty for
    a refused or waiting file.
    """

    path: Path
    outcome: Outcome
    note: FileNote | None
    message: str


@dataclass(frozen=True, slots=True)
class _Run:
    """What is the same for every file."""

    store: Store
    site: Site
    now: datetime
    settle_s: float
    memory: Memory

    @property
    def bounds(self) -> Bounds:
        pins = self.site.take_in
        return Bounds.of(pins.earliest, self.now, pins.future_tolerance)


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
    run = _Run(store, site, now, settle_s, memory or Memory())
    return [result for path in paths for result in _taking_in(run, path, progress)]


def taking_in(
    store: Store,
    site: Site,
    path: Path,
    *,
    now: datetime,
    progress: Callable[[str], None],
    settle_s: float = SETTLE_S,
) -> Iterator[TakenIn]:
    """Take in one file as `take_in` does, and return each result as soon as it is in the store."""
    return _taking_in(_Run(store, site, now, settle_s, Memory()), path, progress)


def _taking_in(run: _Run, path: Path, progress: Callable[[str], None]) -> Iterator[TakenIn]:
    name = name_within(run.site.inbox, path)
    progress(f"taking in {name}")
    for own_name, result in _take_in_file(run, path, name):
        progress(result.message or f"{own_name}: {result.outcome}")
        yield result


def _take_in_file(run: _Run, path: Path, name: str) -> Iterator[tuple[str, TakenIn]]:
    try:
        before = FileState.of(path)
        if not is_settled(path, run.now, run.settle_s):
            text = (
                f"{name}: written to in the last {run.settle_s:g} s, so it waits for the next run."
            )
            yield name, TakenIn(path, Outcome.WAITING, None, text)
            return
        for piece in pieces_of(path, name, run.site.take_in.largest_unpacked):
            yield piece.name, _take_in_piece(run, Watched(piece, before))
    except ExportError as error:
        yield name, TakenIn(path, Outcome.REFUSED, None, str(error))
    except OSError as error:
        reason = error.strerror or str(error)
        text = f"{name}: the file cannot be read ({reason}); check that it is still there."
        yield name, TakenIn(path, Outcome.REFUSED, None, text)


def _take_in_piece(run: _Run, watched: Watched) -> TakenIn:
    piece = watched.piece
    try:
        try:
            outcome, note, told = _store_piece(run, watched)
        except ExportError:
            watched.check()  # half of a file may well be unreadable
            raise
    except ChangedError:
        text = f"{piece.name}: it changed while it was being read, so it waits for the next run."
        return TakenIn(piece.path, Outcome.WAITING, None, text)
    except ExportError as error:
        return TakenIn(piece.path, Outcome.REFUSED, None, str(error))
    return TakenIn(piece.path, outcome, note, told)


def _store_piece(run: _Run, watched: Watched) -> tuple[Outcome, FileNote, str]:
    piece = watched.piece
    if piece.problem:
        raise ExportError(piece.problem)
    with reading(piece):
        raw = content_of(piece, run.site.take_in, run.memory.whole_bytes)
    if raw is None:
        return _store_large(run, watched)
    watched.check()  # from here on only `raw` counts, of which the digest is taken too
    return _store_whole(run, watched, raw)


def _store_whole(run: _Run, watched: Watched, raw: bytes) -> tuple[Outcome, FileNote, str]:
    """Store an export that fits in memory; `raw` is its content as it lies on disk."""
    piece = watched.piece
    with ThreadPoolExecutor(max_workers=1) as pool:
        # The digest runs beside the reading: hashing does not hold the interpreter's lock.
        hashing = pool.submit(_sha256, raw)
        if has_size(run.store, len(raw)):
            known = find_file(run.store, hashing.result())
            if known is not None:
                return Outcome.KNOWN, known, ""
        zone, most = run.site.plant.zone, run.memory.whole_bytes
        assembled = assemble_whole(piece, raw, run.site.take_in, zone, run.bounds, most)
        if assembled is None:
            return _store_large(run, watched)
        sha256 = hashing.result()
    if not len(assembled.batch):
        raise ExportError(_nothing_usable(piece.name, assembled.rows_read, assembled.set_aside))
    export = Export(
        name=piece.name,
        sha256=sha256,
        size_bytes=len(raw),
        taken_in_at=run.now,
        zone=zone,
        batch=assembled.batch,
        set_aside=assembled.set_aside,
        rows_read=assembled.rows_read,
    )
    note = store_export(run.store, export)
    lines = assembled.jump_lines
    return Outcome.STORED, note, _jumps(piece.name, len(lines), int(lines[0]) if len(lines) else 0)


def _store_large(run: _Run, watched: Watched) -> tuple[Outcome, FileNote, str]:
    """Store an export that does not fit in memory, and is read more than once."""
    given_up, piece = Event(), watched.piece
    with reading(piece), ThreadPoolExecutor(max_workers=1) as pool:
        try:
            return _store_staged(run, watched, pool.submit(piece.sha256, given_up))
        finally:
            given_up.set()  # a file that is refused at once need not be read to its end


def _store_staged(
    run: _Run, watched: Watched, hashing: Future[str]
) -> tuple[Outcome, FileNote, str]:
    piece, zone = watched.piece, run.site.plant.zone
    if has_size(run.store, piece.size_bytes):
        known = find_file(run.store, hashing.result())
        if known is not None:
            return Outcome.KNOWN, known, ""
    # Reading is told apart within: a file that cannot be read is no fault of the disk.
    with staging(run.store) as to, reading(piece):
        staged = stage(piece, run.site.take_in, zone, run.bounds, run.memory, to)
        if not to.count:
            aside = first_aside(staged, to)
            raise ExportError(_nothing_usable(piece.name, staged.rows_read, aside))
        export = LargeExport(
            name=piece.name,
            sha256=hashing.result(),
            size_bytes=piece.size_bytes,
            taken_in_at=run.now,
            zone=zone,
            rows_read=staged.rows_read,
            parts=watched.checked(parts(staged, to, run.memory)),
        )
        note = store_parts(run.store, export)
        return Outcome.STORED, note, _jumps(piece.name, *staged.jumps)


def _jumps(file: str, count: int, first: int) -> str:
    """Say that the time runs back within a file, nothing where it does not."""
    if not count:
        return ""
    return (
        f"{file}: stored; the time runs back {count:,} times (first on line {first}), "
        "as where a clock was set back; of samples at one instant the last one counts."
    )


def _sha256(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def _nothing_usable(file: str, rows_read: int, aside: pl.DataFrame) -> str:
    if not aside.height:
        return f"{file}: the file holds no values; export it again."
    line, name, raw, reason = aside.sort("line").row(0)
    place = f"line {line}" + (f", column {name!r}" if name else "")
    return (
        f"{file}: none of its {rows_read:,} rows can be used; the first is "
        f"{place}: {reason} ({raw[:80]!r}); {advice(reason)}."
    )
