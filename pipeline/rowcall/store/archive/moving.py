"""Moving the samples of a day into its file: written, read back and compared, then deleted.

A file is written and compared on this disk; one for object storage then goes there, and is read
back whole. A run that is killed in between leaves a day's samples in the store, in the archive's
file perhaps too, which then does not count; never in neither.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import duckdb

from rowcall.days import day_bounds
from rowcall.errors import StoreError, file_problem
from rowcall.progress import Step
from rowcall.store.archive.archived import (
    ArchivedDay,
    day_file,
    folder_of,
    plant_folder,
    quoted,
    reading,
)
from rowcall.store.archive.storage import (
    digest_of,
    is_there,
    is_url,
    let_read,
    put,
    reading_plainly,
)
from rowcall.store.connection import Store
from rowcall.store.samples import epoch_us
from rowcall.store.trouble import first_line, is_disk_failure

if TYPE_CHECKING:
    from rowcall.site import Site

_COLUMNS = "name AS tag, time, value, quality"


def archive_days(
    store: Store, site: Site, before: date, progress: Callable[[str], None]
) -> list[ArchivedDay]:
    """Move the samples of all plant-local days before a date, oldest first; return what was moved.

    Raises:
        StoreError: a file cannot be written, or does not hold what the store has, or another
            store's file is in its place; the day's samples are still in the store then, and days
            before it are archived.
    """
    zone, folder = site.plant.zone, plant_folder(site)
    moved, days = [], _days_with_samples(store, zone, before)
    for n, day in enumerate(days, start=1):
        progress(Step(f"Archiving {day.isoformat()}", n, len(days)))
        start, end = day_bounds(day, zone)
        moved.append(_move(store, day, epoch_us(start), epoch_us(end), folder))
    if moved:
        store.connection.execute("CHECKPOINT")
    return moved


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


def _move(store: Store, day: date, first_us: int, end_us: int, folder: str | None) -> ArchivedDay:
    file = day_file(folder or str(folder_of(store.path)), day)
    kept = (
        f"SELECT {_COLUMNS} FROM samples JOIN tags USING (tag_id) "
        f"WHERE {_inside(first_us, end_us)} ORDER BY tag, time"
    )
    try:
        if folder:
            _refuse_file_of_another(store, file)
        rows, sha256 = _write(store, kept, file)
    except (OSError, StoreError) as error:
        reason = file_problem(error) if isinstance(error, OSError) else error
        raise StoreError(f"{day.isoformat()} is still in the store. {reason}") from error
    except duckdb.Error as error:
        if not is_disk_failure(error):
            raise
        raise StoreError(
            f"{file} cannot be written ({first_line(error)}); {day.isoformat()} is still in the "
            "store. Check that the disk has room and that this account may write there."
        ) from error
    moved = ArchivedDay(day, first_us, end_us, rows, sha256, file)
    with store.keeping(f"that {day} is archived"):
        store.connection.execute(f"DELETE FROM samples WHERE {_inside(first_us, end_us)}")
        store.connection.execute(
            "INSERT INTO archived VALUES (?, ?, ?, ?, ?, ?)",
            [day, first_us, end_us, rows, sha256, file if folder else ""],
        )
    return moved


def _write(store: Store, kept: str, file: str) -> tuple[int, str]:
    """Write a day's file under its name once it is whole; return its rows and its digest."""
    part = Path(file).with_suffix(".part")
    if is_url(file):
        part = store.path.with_name(store.path.name + ".part")
    part.parent.mkdir(parents=True, exist_ok=True)
    how = "FORMAT parquet, COMPRESSION zstd, PARQUET_VERSION v2"  # v2: a third of the size
    made = f"KV_METADATA {{store_made: {quoted(_made(store))}}}"
    store.connection.execute(f"COPY ({kept}) TO {quoted(str(part))} ({how}, {made})")
    content = "SELECT count(*), bit_xor(hash(s)) FROM {} AS s"
    due, found = (
        store.connection.execute(content.format(source)).fetchone()
        for source in (f"({kept})", reading(str(part)))
    )
    if due is None or due != found:
        raise StoreError(f"{part}: what was written is not what the store holds; it is not used.")
    sha256 = digest_of(str(part))
    put(part, file)
    if is_url(file) and digest_of(file) != sha256:
        raise StoreError(f"{file}: what arrived there is not what was written; it is not used.")
    return int(due[0]), sha256


def _refuse_file_of_another(store: Store, file: str) -> None:
    """Keep what another store archived: two plants of one name may share a folder."""
    if not is_there(file):
        return
    let_read(store.connection, file)
    try:
        with reading_plainly():
            found = store.connection.execute(
                f"SELECT value::VARCHAR FROM parquet_kv_metadata({quoted(file)}) "
                "WHERE key::VARCHAR = 'store_made'"
            ).fetchall()
    except duckdb.Error:  # no Parquet file
        found = []
    if found != [(_made(store),)]:
        raise StoreError(
            f"{file}: what is there was not archived from this store; give each plant its own "
            "name, let [archive] folder name another folder, or move that file away."
        )


def _made(store: Store) -> str:
    """Return when a store was made, by which it is known: a copy of it is the same store."""
    ((made,),) = store.connection.execute(
        "SELECT applied_at::VARCHAR FROM rowcall_schema WHERE version = 1"
    ).fetchall()
    return str(made)
