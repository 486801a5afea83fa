"""Which days are archived, in which files, and how statements read their samples.

Samples of a day lie either in the store or in a file, never in both: the table `archived` says
which, and where the file is, so that another `[archive] folder` holds for days moved from then on.
Without that key files are `<store>.archive/day=<date>/samples.parquet` and move with the store;
with it, `<folder>/plant=<name>/day=<date>/samples.parquet`, so that one storage holds many plants.
Baghouses are no partition: a sample belongs to a tag, and a tag may serve several baghouses, none,
or from some day on another one. A file has the columns tag (name), time (UTC), value and quality,
by tag and time, so that readers skip the row groups of other tags; anything that reads
hive-partitioned Parquet reads the folder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit
from urllib.request import url2pathname

from rowcall.errors import StoreError
from rowcall.store.archive.storage import is_there, is_url, let_read, reading_plainly
from rowcall.store.connection import Store

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from rowcall.site import Site

_EVER = 2**62  # [us] beyond every instant


@dataclass(frozen=True, slots=True)
class ArchivedDay:
    """A day whose samples lie in a file.

    Attributes:
        first_us, end_us: its bounds, UTC microseconds since 1970; the end is not in it.
        rows: samples in the file.
        sha256: of the file.
        file: its absolute path, or its URL.
    """

    day: date
    first_us: int
    end_us: int
    rows: int
    sha256: str
    file: str


def folder_of(store: Path) -> Path:
    """Return the folder of a store's archive."""
    return store.with_name(store.name + ".archive")


def file_of(store: Path, day: date) -> Path:
    """Return the file of an archived day beside the store."""
    return Path(day_file(str(folder_of(store)), day))


def day_file(folder: str, day: date) -> str:
    """Return the file of a day in a folder, both paths or URLs."""
    return f"{folder}/day={day.isoformat()}/samples.parquet"


def plant_folder(site: Site) -> str | None:
    """Return the folder for this plant, an absolute path or a URL; None: beside the store."""
    given = site.archive.folder
    if given is None:
        return None
    if given.startswith("file://"):
        given = url2pathname(urlsplit(given).path)
    folder = given.rstrip("/") if is_url(given) else str((site.base / given).absolute())
    return f"{folder}/plant={quote(site.plant.name, safe='')}"


def archived_days(store: Store, first_us: int = -_EVER, end_us: int = _EVER) -> list[ArchivedDay]:
    """Return the archived days that overlap `first_us <= time < end_us`, oldest first."""
    rows = store.connection.execute(
        "SELECT day, first_us, end_us, n_rows, sha256, file FROM archived "
        "WHERE first_us < ? AND end_us > ? ORDER BY day",
        [end_us, first_us],
    ).fetchall()
    return [
        ArchivedDay(day, first, end, n_rows, sha256, file or str(file_of(store.path, day)))
        for day, first, end, n_rows, sha256, file in rows
    ]


def samples_in(store: Store, ids: Mapping[str, int], first_us: int, end_us: int) -> str:
    """Return a SELECT of tag_id, time, value, quality of tags, `first_us <= time < end_us`.

    Raises:
        StoreError: a file of the archive that it needs is not there, or its storage out of reach.
    """
    # Literal numbers instead of parameters: DuckDB prunes row groups by them while planning.
    listed = ", ".join(str(tag_id) for tag_id in ids.values()) or "NULL"
    inside = f"time >= make_timestamp({first_us}) AND time < make_timestamp({end_us})"
    parts = [
        f"SELECT tag_id, time, value, quality FROM samples WHERE tag_id IN ({listed}) AND {inside}"
    ]
    files = [_there(store, one) for one in archived_days(store, first_us, end_us)]
    if files and ids:
        names = ", ".join(map(quoted, ids))
        parts.append(
            "SELECT tag_id, time, value, quality FROM "
            f"(SELECT * FROM {reading(*files)} WHERE tag IN ({names}) AND {inside}) "
            "JOIN tags ON name = tag"
        )
    return " UNION ALL ".join(parts)


def bring_back(store: Store, time_us: npt.NDArray[np.int64]) -> None:
    """Put the archived days in which instants lie back into the store, within a transaction.

    Later samples of such a day are then compared with all that is known of it. Its file stays,
    for the transaction may fail; the next archiving of the day replaces it.

    Args:
        time_us: UTC microseconds since 1970, in any order, at least one.

    Raises:
        StoreError: a file is not there, or does not hold the rows that were archived.
    """
    for one in archived_days(store, int(time_us.min()), int(time_us.max()) + 1):
        if not ((time_us >= one.first_us) & (time_us < one.end_us)).any():
            continue
        file = _there(store, one)
        with reading_plainly():
            result = store.connection.execute(
                "INSERT INTO samples SELECT tag_id, time, value, quality "
                f"FROM {reading(file)} JOIN tags ON name = tag ORDER BY tag_id, time"
            ).fetchone()
        if result is None or result[0] != one.rows:
            raise StoreError(
                f"{file}: {one.rows:,} samples were archived, but others are in it; put it back "
                "from a backup."
            )
        store.connection.execute("DELETE FROM archived WHERE day = ?", [one.day])


def reading(*files: str) -> str:
    """Return the table function that reads Parquet files."""
    listed = ", ".join(map(quoted, files))
    return f"read_parquet([{listed}], hive_partitioning = false)"  # the day is in the time


def quoted(text: str) -> str:
    """Return a text as a literal of SQL."""
    return "'" + text.replace("'", "''") + "'"


def _there(store: Store, one: ArchivedDay) -> str:
    if not is_there(one.file):
        raise StoreError(
            f"{one.file}: the samples of {one.day.isoformat()} were archived here and are gone; "
            "put the file back from a backup."
        )
    let_read(store.connection, one.file)
    return one.file
