"""Taking export files into the store, one transaction a file."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from zoneinfo import ZoneInfo

from rowcall.day_report import FileNote
from rowcall.errors import ExportError
from rowcall.site import Site, TakeIn
from rowcall.store import Store
from rowcall.store.batch import Export
from rowcall.store.ledger import find_file, has_size
from rowcall.store.writing import store_export
from rowcall.take_in.assemble import Assembled, assemble
from rowcall.take_in.folder import SETTLE_S, is_settled
from rowcall.take_in.opening import open_export
from rowcall.take_in.table import column
from rowcall.take_in.times import settle_order


class Outcome(StrEnum):
    """What became of one export file."""

    STORED = "stored"
    KNOWN = "known"  # its content was taken in before
    REFUSED = "refused"  # nothing of it is stored
    WAITING = "waiting"  # it may still be being written


@dataclass(frozen=True, slots=True)
class TakenIn:
    """One file's outcome.

    `note` is its line of the ledger (stored, known); `message` a plain sentence, never empty for
    a refused or waiting file.
    """

    path: Path
    outcome: Outcome
    note: FileNote | None
    message: str


def take_in(
    store: Store,
    site: Site,
    paths: Sequence[Path],
    *,
    now: datetime,
    progress: Callable[[str], None],
    settle_s: float = SETTLE_S,
) -> list[TakenIn]:
    """Take files into the store, in the given order, so that of two exports the later one counts.

    Args:
        store: an open store, outside of a transaction.
        site: its plant's zone and what it says of exports.
        paths: the files, as from `find_exports`.
        now: the present instant (aware).
        progress: is told in a few words what happens.
        settle_s: a file written to less than this long before `now` waits for the next run.

    A file that cannot be read is refused and the others go on. Failures of the store are raised.
    """
    taken = []
    for path in paths:
        progress(f"taking in {path.name}")
        try:
            result = _take_in_file(store, site, path, now, settle_s)
        except ExportError as error:
            result = TakenIn(path, Outcome.REFUSED, None, str(error))
        progress(result.message or f"{path.name}: {result.outcome}")
        taken.append(result)
    return taken


def _take_in_file(store: Store, site: Site, path: Path, now: datetime, settle_s: float) -> TakenIn:
    try:
        settled = is_settled(path, now, settle_s)
        raw = path.read_bytes() if settled else b""
    except OSError as error:
        reason = error.strerror or str(error)
        raise ExportError(
            f"{path.name}: the file cannot be read ({reason}); check that it is still there."
        ) from error
    if not settled:
        text = f"{path.name}: written to in the last {settle_s:g} s, so it waits for the next run."
        return TakenIn(path, Outcome.WAITING, None, text)
    with ThreadPoolExecutor(max_workers=1) as pool:
        # The digest runs beside the reading: hashing does not hold the interpreter's lock.
        hashing = pool.submit(_sha256, raw)
        if has_size(store, len(raw)):
            known = find_file(store, hashing.result())
            if known is not None:
                return TakenIn(path, Outcome.KNOWN, known, "")
        assembled = read_export(path, raw, site.take_in, site.plant.zone)
        sha256 = hashing.result()
    if not len(assembled.batch):
        raise ExportError(_nothing_usable(path, assembled))
    export = Export(
        name=path.name,
        sha256=sha256,
        size_bytes=len(raw),
        taken_in_at=now,
        zone=site.plant.zone,
        batch=assembled.batch,
        set_aside=assembled.set_aside,
        rows_read=assembled.rows_read,
    )
    return TakenIn(path, Outcome.STORED, store_export(store, export), "")


def read_export(path: Path, raw: bytes, pins: TakeIn, zone: ZoneInfo) -> Assembled:
    """Return the samples of one export file.

    Raises:
        ExportError: the file cannot be read; names the place and the remedy.
    """
    opened = open_export(path, raw, pins)
    table, layout = opened.table, opened.layout
    times = table.frame[column(layout.time)]
    place = f"{path.name}, column {table.names[layout.time]!r}"
    settled = replace(layout, form=settle_order(times, layout.form, place))
    return assemble(path.name, table, settled, zone, pins.decimal)


def _sha256(raw: bytes) -> str:
    return hashlib.sha256(raw).hexdigest()


def _nothing_usable(path: Path, assembled: Assembled) -> str:
    if not assembled.set_aside.height:
        return f"{path.name}: the file holds no values; export it again."
    line, name, raw, reason = assembled.set_aside.sort("line").row(0)
    place = f"line {line}" + (f", column {name!r}" if name else "")
    return (
        f"{path.name}: none of its {assembled.rows_read:,} rows can be used; the first is "
        f"{place}: {reason} ({raw[:80]!r}); check the export and take_in in the site file."
    )
