"""Storing one export: read into memory, or where it is too large for that into a staging file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TypeAlias

import polars as pl

from rowcall.errors import ExportError, printable
from rowcall.file_note import FileNote
from rowcall.store.batch import Export, Part
from rowcall.store.exports import Contradicted, store_export
from rowcall.store.future_rows import Again, lying_ahead, note_ahead
from rowcall.store.ledger import find_file, has_size
from rowcall.store.staging import staging
from rowcall.take_in.cells.overrides import listed, shown
from rowcall.take_in.cells.timestamps import Bounds
from rowcall.take_in.files.sources import fits, reading
from rowcall.take_in.files.unchanged import Watched
from rowcall.take_in.load.advice import advice
from rowcall.take_in.load.passes import Read, parts, read_through
from rowcall.take_in.load.sinks import FullError, InMemory, OnDisk, Sink
from rowcall.take_in.outcome import FUTURE, Outcome, Run, has_many_aside
from rowcall.take_in.read.opening import Opened

Stored: TypeAlias = tuple[Outcome, FileNote, str]
# What was read of an export into memory; None where it does not fit there.
Held: TypeAlias = tuple[Read, Sink] | None


def store(
    run: Run,
    watched: Watched,
    digest: Callable[[], str],
    opened: Callable[[], Opened],
    begin_next: Callable[[], None],
    ahead: Callable[[], Held] | None = None,
) -> Stored:
    """Store an export, or say that it is known.

    Args:
        digest: waits for the digest of its content.
        opened: brings it opened.
        begin_next: is called when this one turns out to be new, and small enough for two.
        ahead: brings what was read of it before its turn.

    Raises:
        ExportError: it cannot be read, or nothing of it can be used.
        ChangedError: it changed while it was being read; nothing of it was stored.
    """
    source = watched.source
    known, again = _known(run, source.size_bytes, digest)
    if known is not None and again is None:
        watched.check()
        return Outcome.KNOWN, known, ""
    job = _Job(run, watched, digest, again)
    bounds = true_bounds(run)
    if again is not None:
        bounds = Bounds(again.until_us + 1, bounds.last_us)
    if fits(source, run.site.take_in_settings, run.memory.whole_bytes):
        begin_next()
        held = ahead() if ahead is not None and again is None else hold(run, opened(), bounds)
        if held is not None:
            return job.store(*held)
    with staging(run.store, OnDisk) as to, reading(source):
        return job.store(read_through(opened(), run.site.export_zone, bounds, to), to)


def hold(run: Run, opened: Opened, bounds: Bounds) -> Held:
    """Read an export into memory, None where it does not fit there; raises as `store`."""
    to = InMemory(run.memory.whole_bytes)
    try:
        with reading(opened.source):
            return read_through(opened, run.site.export_zone, bounds, to), to
    except FullError:
        return None


@dataclass(frozen=True, slots=True)
class _Job:
    """One export to be stored, of which `again` says what it is read again for."""

    run: Run
    watched: Watched
    digest: Callable[[], str]
    again: Again | None

    def store(self, read: Read, to: Sink) -> Stored:
        """Store what was read of it; raises as the function."""
        run, again, name = self.run, self.again, self.watched.source.name
        content, rows_read = parts(read, to, run.memory.slice_rows), read.rows_read
        if again is not None:
            rows_read = to.count + to.count_aside(again.lines)
            content = (again.only(part) for part in content)
        elif not to.count:
            self.watched.check()
            raise ExportError(_nothing_usable(name, rows_read, next(to.aside(), None)))
        is_ahead = to.has_aside(FUTURE)
        note, against = store_export(run.store, self._export(rows_read, content), again)
        if is_ahead:
            beyond = Bounds(true_bounds(run).last_us + 1)
            read_through(read.opened, run.site.export_zone, beyond, to)
            note_ahead(run.store, note.sha256, true_bounds(run).last_us, to.first_us())
        return Outcome.STORED, note, _message(name, note, again, against, *read.jumps)

    def _export(self, rows_read: int, content: Iterable[Part]) -> Export:
        sha256 = self.digest()
        self.watched.check()  # from here on only what was read counts
        return Export(
            name=self.watched.source.name,
            sha256=sha256,
            size_bytes=self.watched.source.size_bytes,
            written_ns=self.watched.before.modified_ns if self.watched.before else 0,
            taken_in_at=self.run.now,
            zone=self.run.site.plant.zone,
            rows_read=rows_read,
            parts=self.watched.checked(content),
        )


def _known(
    run: Run, size_bytes: int, digest: Callable[[], str]
) -> tuple[FileNote | None, Again | None]:
    """Return the ledger's line on a content that is known, and what of it has come due since."""
    known = find_file(run.store, digest()) if has_size(run.store, size_bytes) else None
    return (None, None) if known is None else (known, due(run, known.sha256))


def due(run: Run, sha256: str) -> Again | None:
    """Return what of a known content lay ahead of the clock and no longer does, None: nothing."""
    until_us, tolerance_s = true_bounds(run).last_us, run.site.take_in.future_tolerance
    return lying_ahead(run.store, sha256, FUTURE, until_us, tolerance_s)


def true_bounds(run: Run) -> Bounds:
    """Return the instants that can be true."""
    overrides = run.site.take_in
    return Bounds.of(overrides.earliest, run.now, overrides.future_tolerance)


def _message(
    file: str, note: FileNote, again: Again | None, against: Contradicted, jumps: int, first: int
) -> str:
    """Say what is worth saying of a stored export, nothing where it is as usual."""
    if again is not None:
        return printable(
            f"{file}: {note.rows_read:,} rows that lay ahead of the clock when it was first read "
            f"are taken in again; {note.set_aside:,} of them are still set aside."
        )
    said = []
    if jumps:
        said.append(
            f"the time runs back {jumps:,} times (first on line {first}), "
            "as where a clock was set back; of samples at one instant the last one counts"
        )
    if against.earlier:
        said.append(
            f"{note.replaced:,} samples of {listed(against.earlier)} are replaced, for this file "
            "was written later"
        )
    if against.outdated:
        said.append(
            f"{against.outdated:,} of its samples do not count, for {listed(against.later)}, "
            "written later, says otherwise"
        )
    if note.set_aside and (said or has_many_aside(note)):
        said.insert(0, f"{note.set_aside:,} of {note.rows_read:,} rows set aside")
    return printable(f"{file}: stored; {'; '.join(said)}.") if said else ""


def _nothing_usable(file: str, rows_read: int, aside: pl.DataFrame | None) -> str:
    if aside is None or not aside.height:
        return f"{file}: the file holds no values; export it again."
    line, name, raw, reason = aside.sort("line").row(0)
    place = f"line {line}" + (f", column {shown(name)}" if name else "")
    return (
        f"{file}: none of its {rows_read:,} rows can be used; the first is "
        f"{place}: {reason} ({shown(raw, 80)}); {advice(reason)}."
    )
