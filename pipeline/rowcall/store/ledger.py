"""The ledger of take-in: which file brought what, and which days it touched."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime

from rowcall.file_note import FileNote
from rowcall.store.connection import Store

_NOTE = "name, sha256, rows_read, stored, replaced, unchanged, set_aside, first_time, last_time"


def days_touched(store: Store) -> dict[date, int]:
    """Return, for each plant-local day, the highest file_id that stored or replaced samples."""
    rows = store.connection.execute(
        "SELECT day, max(file_id) FROM file_days GROUP BY day ORDER BY day"
    ).fetchall()
    return {day: int(file_id) for day, file_id in rows}


def files_of_day(store: Store, day: date, *, after: int = 0) -> list[FileNote]:
    """Return the files that stored or replaced samples of a plant-local day, oldest first.

    Args:
        after: only files whose file_id is above this one.
    """
    rows = store.connection.execute(
        f"SELECT {_NOTE} FROM files WHERE file_id IN (SELECT file_id FROM file_days WHERE day = ?) "
        "AND file_id > ? ORDER BY file_id",
        [day, after],
    ).fetchall()
    return [_note(row) for row in rows]


def last_times(store: Store) -> dict[str, datetime]:
    """Return the newest instant that any export brought of each tag."""
    rows = store.connection.execute(
        "SELECT name, max(last_time) FROM file_tags JOIN tags USING (tag_id) GROUP BY name"
    ).fetchall()
    return {str(name): last.replace(tzinfo=UTC) for name, last in rows}


def find_file(store: Store, sha256: str) -> FileNote | None:
    """Return the ledger's line on a file of this content, None when it was never taken in."""
    rows = store.connection.execute(
        f"SELECT {_NOTE} FROM files WHERE sha256 = ? ORDER BY file_id", [sha256]
    ).fetchall()
    return _note(rows[0]) if rows else None


def has_size(store: Store, size_bytes: int) -> bool:
    """True where a file of just this size was taken in: only then can its content be known."""
    query = "SELECT 1 FROM files WHERE size_bytes = ? LIMIT 1"
    return store.connection.execute(query, [size_bytes]).fetchone() is not None


@dataclass(frozen=True, slots=True)
class Seen:
    """A file on disk as it was when all of it was taken in.

    Attributes:
        name: its path within the inbox.
        written_ns: when it was last written, nanoseconds since 1970-01-01 UTC.
    """

    name: str
    size_bytes: int
    written_ns: int


def seen_files(store: Store, reason: str) -> dict[Seen, list[tuple[FileNote | None, bool]]]:
    """Return the files taken in, with the ledger's line on each of their exports.

    Beside it stands whether rows of the export are set aside for `reason`.
    """
    run, lines = store.connection.execute, dict[str, FileNote]()
    for row in run(f"SELECT {_NOTE} FROM files ORDER BY file_id").fetchall():
        lines.setdefault(row[1], _note(row))
    rows = run(
        "SELECT sha256 FROM files WHERE set_aside > 0 AND file_id IN "
        "(SELECT file_id FROM set_aside WHERE reason = ?)",
        [reason],
    ).fetchall()
    found, aside = dict[Seen, list[tuple[FileNote | None, bool]]](), {sha256 for (sha256,) in rows}
    for *file, sha256 in run("SELECT * FROM seen").fetchall():
        found.setdefault(Seen(*file), []).append((lines.get(sha256), sha256 in aside))
    return found


def note_seen(store: Store, file: Seen, digests: Iterable[str]) -> None:
    """Note that all exports of a file, by their digests, are taken in."""
    row = [file.name, file.size_bytes, file.written_ns]
    with store.keeping("which files are taken in"):
        store.connection.execute("DELETE FROM seen WHERE name = ?", [file.name])
        store.connection.executemany(
            "INSERT INTO seen VALUES (?, ?, ?, ?)",
            [[*row, digest] for digest in dict.fromkeys(digests)],
        )


def _note(row: tuple[object, ...]) -> FileNote:
    name, sha256, *counts = row[:7]
    read, stored, replaced, unchanged, set_aside = (int(str(count)) for count in counts)
    return FileNote(
        str(name), str(sha256), read, stored, replaced, unchanged, set_aside, *map(_utc, row[7:])
    )


def _utc(value: object) -> datetime | None:
    return value.replace(tzinfo=UTC) if isinstance(value, datetime) else None
