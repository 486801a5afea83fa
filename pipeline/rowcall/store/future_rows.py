"""Rows set aside because they lay in the future, until their time has come.

Their file is then read again, and its line of the ledger hands them over to a second line: each
row of the file is accounted for in one line only, and of each line rows read = stored + replaced +
unchanged + set aside. A sample that the store has meanwhile counts as unchanged, whatever its
value: the export that brought it came later.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from rowcall.store.batch import Part
from rowcall.store.connection import Store

# When rows that no time can make usable come due; the last instant that take-in reads.
_NEVER = "TIMESTAMP '2199-12-31'"


@dataclass(frozen=True, slots=True)
class Again:
    """What a file is read again for.

    Attributes:
        file_id: the line of the ledger that it takes over from.
        reason: why the rows were set aside.
        until_us: instants up to this one were read then, microseconds since 1970-01-01 UTC.
        lines: i64, the lines of the file that hold the rows.
    """

    file_id: int
    reason: str
    until_us: int
    lines: pl.Series

    def only(self, part: Part) -> Part:
        """Return a part without the rows set aside of which an earlier line tells already."""
        kept = pl.col("line").is_in(self.lines.implode())
        return Part(part.batch, part.set_aside.filter(kept))


def lying_ahead(
    store: Store, sha256: str, reason: str, until_us: int, tolerance_s: float
) -> Again | None:
    """Return what of a known content has come due; None where nothing has.

    Args:
        reason: the one for which rows in the future are set aside.
        until_us: instants up to this one count as past.
        tolerance_s: by how much instants could lie ahead, where nothing is noted of the file.
    """
    rows = store.connection.execute(
        "SELECT file_id, epoch_us(coalesce(read_until, taken_in_at + to_microseconds(?))) "
        "FROM files LEFT JOIN ahead USING (file_id) WHERE sha256 = ? "
        "AND coalesce(ahead.first_time, taken_in_at) <= make_timestamp(?) "
        "AND file_id IN (SELECT file_id FROM set_aside WHERE reason = ?) ORDER BY file_id LIMIT 1",
        [round(tolerance_s * 1e6), sha256, until_us, reason],
    ).fetchall()
    if not rows or int(rows[0][1]) >= until_us:
        return None
    file_id, read_until_us = (int(value) for value in rows[0])
    lines: pl.DataFrame = store.connection.sql(
        "SELECT DISTINCT line FROM set_aside WHERE file_id = ? AND reason = ?",
        params=[file_id, reason],
    ).pl()
    return Again(file_id, reason, read_until_us, lines["line"])


def hand_over(store: Store, again: Again) -> None:
    """Take the rows off the line that has them; the caller enters another within a transaction."""
    key = [again.file_id, again.reason]
    ((count,),) = store.connection.execute(
        "SELECT count(*) FROM set_aside WHERE file_id = ? AND reason = ?", key
    ).fetchall()
    store.connection.execute("DELETE FROM set_aside WHERE file_id = ? AND reason = ?", key)
    store.connection.execute("DELETE FROM ahead WHERE file_id = ?", [again.file_id])
    store.connection.execute(
        "UPDATE files SET rows_read = rows_read - ?, set_aside = set_aside - ? WHERE file_id = ?",
        [count, count, again.file_id],
    )


def note_ahead(store: Store, sha256: str, until_us: int, first_us: int | None) -> None:
    """Note until when a file was read, and its earliest instant after that (None: none is usable).

    Where a run is killed before it, nothing is noted: then the next run reads the file again.
    """
    first = _NEVER if first_us is None else f"make_timestamp({first_us})"
    with store.keeping("which rows lie ahead"):
        store.connection.execute(
            f"INSERT INTO ahead SELECT max(file_id), make_timestamp(?), {first} FROM files "
            "WHERE sha256 = ?",
            [until_us, sha256],
        )
