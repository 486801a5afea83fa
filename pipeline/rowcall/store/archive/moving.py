"""Moving the samples of a day into its file: written, read back and compared, then deleted.

A run that is killed in between leaves a day's samples in the store, in the archive's file perhaps
too, which then does not count; never in neither.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb

from rowcall.days import day_bounds
from rowcall.errors import StoreError, file_problem
from rowcall.progress import Step
from rowcall.store.archive.archived import ArchivedDay, file_of, quoted, reading
from rowcall.store.connection import Store
from rowcall.store.samples import epoch_us
from rowcall.store.trouble import first_line, is_disk_failure

_COLUMNS = "name AS tag, time, value, quality"


def archive_days(
    store: Store, zone: ZoneInfo, before: date, progress: Callable[[str], None]
) -> list[ArchivedDay]:
    """Move the samples of all plant-local days before a date, oldest first; return what was moved.

    Raises:
        StoreError: a file cannot be written, or does not hold what the store has; the day's
            samples are still in the store then, and days before it are archived.
    """
    moved, days = [], _days_with_samples(store, zone, before)
    for n, day in enumerate(days, start=1):
        progress(Step(f"Archiving {day.isoformat()}", n, len(days)))
        start, end = day_bounds(day, zone)
        moved.append(_move(store, day, epoch_us(start), epoch_us(end)))
    if moved:
        store.connection.execute("CHECKPOINT")
    return moved


def digest_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _days_with_samples(store: Store, zone: ZoneInfo, before: date) -> list[date]:
    end, _ = day_bounds(before, zone)
    rows = store.connection.execute(
        f"SELECT DISTINCT time::DATE FROM samples WHERE time < make_timestamp({epoch_us(end)})"
    ).fetchall()
    utc = [day for (day,) in rows]
    near = {day + timedelta(days=n) for day in utc for n in (-1, 0, 1)}
    return sorted(day for day in near if day < before and _has_samples(store, zone, day))


def _has_samples(store: Store, zone: ZoneInfo, day: date) -> bool:
    first_us, end_us = (epoch_us(at) for at in day_bounds(day, zone))
    any_of_it = f"SELECT 1 FROM samples WHERE {_inside(first_us, end_us)} LIMIT 1"
    return store.connection.execute(any_of_it).fetchone() is not None


def _inside(first_us: int, end_us: int) -> str:
    return f"time >= make_timestamp({first_us}) AND time < make_timestamp({end_us})"


def _move(store: Store, day: date, first_us: int, end_us: int) -> ArchivedDay:
    path = file_of(store.path, day)
    kept = (
        f"SELECT {_COLUMNS} FROM samples JOIN tags USING (tag_id) "
        f"WHERE {_inside(first_us, end_us)} ORDER BY tag, time"
    )
    try:
        rows, sha256 = _write(store, kept, path)
    except OSError as error:
        raise StoreError(
            f"{day.isoformat()} is still in the store. {file_problem(error)}"
        ) from error
    except duckdb.Error as error:
        if not is_disk_failure(error):
            raise
        raise StoreError(
            f"{path} cannot be written ({first_line(error)}); {day.isoformat()} is still in the "
            "store. Check that the disk has room and that this account may write there."
        ) from error
    moved = ArchivedDay(day, first_us, end_us, rows, sha256)
    with store.keeping(f"that {day} is archived"):
        store.connection.execute(f"DELETE FROM samples WHERE {_inside(first_us, end_us)}")
        store.connection.execute(
            "INSERT INTO archived VALUES (?, ?, ?, ?, ?)", [day, first_us, end_us, rows, sha256]
        )
    return moved


def _write(store: Store, kept: str, path: Path) -> tuple[int, str]:
    """Write a day's file under its name once it is whole; return its rows and its digest."""
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    how = "FORMAT parquet, COMPRESSION zstd, PARQUET_VERSION v2"  # v2: a third of the size
    store.connection.execute(f"COPY ({kept}) TO {quoted(str(part))} ({how})")
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    content = "SELECT count(*), bit_xor(hash(s)) FROM {} AS s"
    due, found = (
        store.connection.execute(content.format(source)).fetchone()
        for source in (f"({kept})", reading(part))
    )
    if due is None or due != found:
        raise StoreError(f"{part}: what was written is not what the store holds; it is not used.")
    sha256 = digest_of(part)
    part.replace(path)
    _sync_folder(path.parent)
    return int(due[0]), sha256


def _sync_folder(folder: Path) -> None:
    """Let the renaming reach the disk, where folders can be opened."""
    if os.name != "posix":
        return
    at = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(at)
    finally:
        os.close(at)
