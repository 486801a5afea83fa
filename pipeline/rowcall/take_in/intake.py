"""Taking export files into the store, one transaction an export.

The modules that work with numbers are imported where they are used: loading them takes as long as
reading and hashing a day, and so is done beside it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from rowcall.errors import ExportError
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.leftovers import remove_leftovers
from rowcall.take_in.folder import SETTLE_S, is_settled, name_within
from rowcall.take_in.memory import Memory
from rowcall.take_in.pieces import Piece, content_of, pieces_of, reading

if TYPE_CHECKING:
    import polars as pl

    from rowcall.day_report import FileNote
    from rowcall.take_in.times import Bounds


class Outcome(StrEnum):
    """What became of one export."""

    STORED = "stored"
    KNOWN = "known"  # its content was taken in before
    REFUSED = "refused"  # nothing of it is stored
    WAITING = "waiting"  # it may still be being written


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
        from rowcall.take_in.times import Bounds

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
    remove_leftovers(store)
    run = _Run(store, site, now, settle_s, memory or Memory())
    taken = []
    for path in paths:
        name = name_within(site.inbox, path)
        progress(f"taking in {name}")
        for own_name, result in _take_in_file(run, path, name):
            progress(result.message or f"{own_name}: {result.outcome}")
            taken.append(result)
    return taken


def _take_in_file(run: _Run, path: Path, name: str) -> Iterator[tuple[str, TakenIn]]:
    try:
        if not is_settled(path, run.now, run.settle_s):
            text = (
                f"{name}: written to in the last {run.settle_s:g} s, so it waits for the next run."
            )
            yield name, TakenIn(path, Outcome.WAITING, None, text)
            return
        for piece in pieces_of(path, name, run.site.take_in.largest_unpacked):
            yield piece.name, _take_in_piece(run, piece)
    except ExportError as error:
        yield name, TakenIn(path, Outcome.REFUSED, None, str(error))
    except OSError as error:
        reason = error.strerror or str(error)
        text = f"{name}: the file cannot be read ({reason}); check that it is still there."
        yield name, TakenIn(path, Outcome.REFUSED, None, text)


def _take_in_piece(run: _Run, piece: Piece) -> TakenIn:
    try:
        if piece.problem:
            raise ExportError(piece.problem)
        with ThreadPoolExecutor(max_workers=1) as pool:
            # Neither reading nor hashing holds the interpreter's lock.
            content = pool.submit(_content, run, piece)
            hashing = pool.submit(_sha256, content)
            outcome, note, told = _store_piece(run, piece, content, hashing)
    except ExportError as error:
        return TakenIn(piece.path, Outcome.REFUSED, None, str(error))
    return TakenIn(piece.path, outcome, note, told)


def _content(run: _Run, piece: Piece) -> bytes | None:
    with reading(piece):
        return content_of(piece, run.site.take_in, run.memory.whole_bytes)


def _sha256(content: Future[bytes | None]) -> str:
    return hashlib.sha256(content.result() or b"").hexdigest()


def _store_piece(
    run: _Run, piece: Piece, content: Future[bytes | None], hashing: Future[str]
) -> tuple[Outcome, FileNote, str]:
    """Store an export; `content` is as it lies on disk, None where that does not fit in memory."""
    from rowcall.store.batch import Export
    from rowcall.store.ledger import find_file, has_size
    from rowcall.store.writing import store_export
    from rowcall.take_in.whole import assemble_whole

    raw = content.result()
    if raw is None:
        return _store_large(run, piece)
    if has_size(run.store, len(raw)):
        known = find_file(run.store, hashing.result())
        if known is not None:
            return Outcome.KNOWN, known, ""
    zone, most = run.site.plant.zone, run.memory.whole_bytes
    assembled = assemble_whole(piece, raw, run.site.take_in, zone, run.bounds, most)
    if assembled is None:
        return _store_large(run, piece)
    if not len(assembled.batch):
        raise ExportError(_nothing_usable(piece.name, assembled.rows_read, assembled.set_aside))
    export = Export(
        name=piece.name,
        sha256=hashing.result(),
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


def _store_large(run: _Run, piece: Piece) -> tuple[Outcome, FileNote, str]:
    """Store an export that does not fit in memory."""
    given_up = Event()
    with reading(piece), ThreadPoolExecutor(max_workers=1) as pool:
        try:
            return _store_staged(run, piece, pool.submit(piece.sha256, given_up))
        finally:
            given_up.set()  # a file that is refused at once need not be read to its end


def _store_staged(run: _Run, piece: Piece, hashing: Future[str]) -> tuple[Outcome, FileNote, str]:
    from rowcall.store.batch import LargeExport
    from rowcall.store.ledger import find_file, has_size
    from rowcall.store.staging import staging
    from rowcall.store.writing import store_parts
    from rowcall.take_in.large import first_aside, parts, stage

    zone = run.site.plant.zone
    if has_size(run.store, piece.size_bytes):
        known = find_file(run.store, hashing.result())
        if known is not None:
            return Outcome.KNOWN, known, ""
    with staging(run.store) as to:
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
            parts=parts(staged, to, run.memory),
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


def _nothing_usable(file: str, rows_read: int, aside: pl.DataFrame) -> str:
    from rowcall.take_in.advice import advice

    if not aside.height:
        return f"{file}: the file holds no values; export it again."
    line, name, raw, reason = aside.sort("line").row(0)
    place = f"line {line}" + (f", column {name!r}" if name else "")
    return (
        f"{file}: none of its {rows_read:,} rows can be used; the first is "
        f"{place}: {reason} ({raw[:80]!r}); {advice(reason)}."
    )
