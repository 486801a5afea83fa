"""Storing one export: a small one as a whole, one too large for memory slice by slice."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from threading import Event
from typing import TypeAlias

import polars as pl

from rowcall.errors import ExportError, printable
from rowcall.file_note import FileNote
from rowcall.store.batch import Export, Part
from rowcall.store.exports import store_export
from rowcall.store.future_rows import Again, lying_ahead, note_ahead
from rowcall.store.ledger import find_file, has_size
from rowcall.store.staging import Staging, staging
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.cells.timestamps import FUTURE, Bounds
from rowcall.take_in.files.content import Content
from rowcall.take_in.files.sources import Piece, reading
from rowcall.take_in.files.unchanged import Watched
from rowcall.take_in.load.advice import advice
from rowcall.take_in.load.assemble import Assembled
from rowcall.take_in.load.large import Staged, first_aside, parts, stage
from rowcall.take_in.load.whole import assemble_whole
from rowcall.take_in.outcome import Outcome, Run

Stored: TypeAlias = tuple[Outcome, FileNote, str]


def store_whole(
    run: Run,
    watched: Watched,
    content: Content,
    begin_next: Callable[[], None],
    ahead: Callable[[], Assembled | None] | None = None,
) -> Stored:
    """Store an export that fits in memory, or say that it is known.

    Args:
        begin_next: is called when this one turns out to be new.
        ahead: brings its samples, where it was read before its turn.

    Raises:
        ExportError: it cannot be read, or nothing of it can be used.
        ChangedError: it changed while it was being read; nothing of it was stored.
    """
    piece = watched.piece
    known, again = _known(run, piece.size_bytes, content.sha256)
    if known is not None and again is None:
        watched.check()
        return Outcome.KNOWN, known, ""
    begin_next()
    if ahead is not None and again is None:
        assembled = ahead()
    else:
        assembled = _assembled(run, piece, content, _bounds(run, again))
    sha256 = content.sha256()
    watched.check()  # from here on only what was read counts
    if assembled is None:
        return store_large(run, watched)
    aside, rows_read = assembled.set_aside, assembled.rows_read
    if again is not None:
        aside = aside.filter(pl.col("line").is_in(again.lines.implode()))
        rows_read = len(assembled.batch) + aside.height
    elif not len(assembled.batch):
        raise ExportError(_nothing_usable(piece.name, rows_read, aside))
    is_ahead = (aside["reason"] == FUTURE).any()
    first_ahead = _first_ahead(run, piece, content) if is_ahead else None
    part = Part(assembled.batch, aside)
    note = store_export(run.store, _export(run, piece, sha256, rows_read, [part]), again)
    if is_ahead:
        _note_ahead(run, sha256, first_ahead)
    lines = assembled.jump_lines
    jumps = (len(lines), int(lines[0]) if len(lines) else 0)
    return Outcome.STORED, note, _told(piece.name, note, again, *jumps)


def _assembled(run: Run, piece: Piece, content: Content, bounds: Bounds) -> Assembled | None:
    pins, zone, most = run.site.take_in_settings, run.site.plant.zone, run.memory.whole_bytes
    return assemble_whole(piece, content, pins, zone, bounds, most)


def _first_ahead(run: Run, piece: Piece, content: Content) -> int | None:
    """Return the first of the instants that lie ahead, None where none of them can be used."""
    ahead = _assembled(run, piece, content, _beyond(run))
    return min(ahead.batch.time_us if ahead is not None else (), default=None)


def store_large(run: Run, watched: Watched) -> Stored:
    """Store an export that does not fit in memory, and is read more than once.

    Raises as `store_whole`.
    """
    given_up, piece = Event(), watched.piece
    with reading(piece), ThreadPoolExecutor(max_workers=1) as pool:
        try:
            return _store_staged(run, watched, pool.submit(piece.sha256, given_up))
        finally:
            given_up.set()  # a file that is refused at once need not be read to its end


def _store_staged(run: Run, watched: Watched, hashing: Future[str]) -> Stored:
    piece = watched.piece
    known, again = _known(run, piece.size_bytes, hashing.result)
    if known is not None and again is None:
        return Outcome.KNOWN, known, ""
    # Reading is told apart within: a file that cannot be read is no fault of the disk.
    with staging(run.store) as to, reading(piece):
        staged = _staged(run, piece, _bounds(run, again), to)
        pieces, rows_read = parts(staged, to, run.memory), staged.rows_read
        if again is not None:
            rows_read = to.count + to.count_aside(again.lines)
            pieces = (again.only(part) for part in pieces)
        elif not to.count:
            raise ExportError(_nothing_usable(piece.name, rows_read, first_aside(staged, to)))
        is_ahead = to.has_aside(FUTURE)
        export = _export(run, piece, hashing.result(), rows_read, watched.checked(pieces))
        note = store_export(run.store, export, again)
        if is_ahead:
            to.clear()
            _staged(run, piece, _beyond(run), to)
            _note_ahead(run, note.sha256, to.first_us())
        return Outcome.STORED, note, _told(piece.name, note, again, *staged.jumps)


def _staged(run: Run, piece: Piece, bounds: Bounds, to: Staging) -> Staged:
    return stage(piece, run.site.take_in_settings, run.site.plant.zone, bounds, run.memory, to)


def _known(
    run: Run, size_bytes: int, digest: Callable[[], str]
) -> tuple[FileNote | None, Again | None]:
    """Return the ledger's line on a content that is known, and what of it has come due since."""
    known = find_file(run.store, digest()) if has_size(run.store, size_bytes) else None
    if known is None:
        return None, None
    until_us, tolerance_s = true_bounds(run).last_us, run.site.take_in.future_tolerance
    return known, lying_ahead(run.store, known.sha256, FUTURE, until_us, tolerance_s)


def true_bounds(run: Run) -> Bounds:
    """Return the instants that can be true."""
    pins = run.site.take_in
    return Bounds.of(pins.earliest, run.now, pins.future_tolerance)


def _bounds(run: Run, again: Again | None) -> Bounds:
    return (
        true_bounds(run) if again is None else Bounds(again.until_us + 1, true_bounds(run).last_us)
    )


def _beyond(run: Run) -> Bounds:
    """The instants that lie ahead."""
    return Bounds(true_bounds(run).last_us + 1)


def _note_ahead(run: Run, sha256: str, first_us: int | None) -> None:
    note_ahead(run.store, sha256, true_bounds(run).last_us, first_us)


def _export(run: Run, piece: Piece, sha256: str, rows_read: int, content: Iterable[Part]) -> Export:
    return Export(
        name=piece.name,
        sha256=sha256,
        size_bytes=piece.size_bytes,
        taken_in_at=run.now,
        zone=run.site.plant.zone,
        rows_read=rows_read,
        parts=content,
    )


def _told(file: str, note: FileNote, again: Again | None, jumps: int, first: int) -> str:
    """Say what is worth saying of a stored export, nothing where it is as usual."""
    if again is not None:
        return printable(
            f"{file}: {note.rows_read:,} rows that lay ahead of the clock when it was first read "
            f"are taken in again; {note.set_aside:,} of them are still set aside."
        )
    if not jumps:
        return ""
    return printable(
        f"{file}: stored; the time runs back {jumps:,} times (first on line {first}), "
        "as where a clock was set back; of samples at one instant the last one counts."
    )


def _nothing_usable(file: str, rows_read: int, aside: pl.DataFrame) -> str:
    if not aside.height:
        return f"{file}: the file holds no values; export it again."
    line, name, raw, reason = aside.sort("line").row(0)
    place = f"line {line}" + (f", column {shown(name)}" if name else "")
    return (
        f"{file}: none of its {rows_read:,} rows can be used; the first is "
        f"{place}: {reason} ({shown(raw, 80)}); {advice(reason)}."
    )
