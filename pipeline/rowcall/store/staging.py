"""Where the samples of an export too large for memory wait until all of it has been read.

A DuckDB file of its own beside the store, gone afterwards: nothing of an export may be in the
store before all of it can be.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import TypeVar

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import StoreError
from rowcall.store.connection import OFFLINE, Store
from rowcall.store.stream import Stream
from rowcall.store.trouble import DISK_ERRORS, first_line
from rowcall.store.upkeep.leftovers import remove_file, staging_path

_MEMORY = "256MiB"  # of each of the two databases; their pages beyond it are on disk. Chosen.
_SAMPLE_EVERY = 1_000  # rows; the times by which the slices are cut are a sample of all
_INSERT_ROWS = 8 * 122_880  # eight of DuckDB's row groups
_ASIDE_ROWS = 200_000  # rows set aside, handed over at a time; chosen: some ten MB of text

_TABLES = """
CREATE OR REPLACE TABLE entries (
    tag UINTEGER, line BIGINT, time_us BIGINT, value DOUBLE, quality UTINYINT
);
CREATE OR REPLACE TABLE taken_out (line BIGINT, tag UINTEGER, reason UTINYINT);
CREATE OR REPLACE TABLE aside (line BIGINT, column_name VARCHAR, raw VARCHAR, reason VARCHAR);
"""

S = TypeVar("S", bound="Staging")


class Staging:
    """Entries in the order of their file, by the numbers of their lines, and rows set aside."""

    def __init__(self, connection: duckdb.DuckDBPyConnection) -> None:
        self._connection = connection
        self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self._connection.execute(_TABLES)
        self._samples: list[npt.NDArray[np.int64]] = []
        self._held: list[pl.DataFrame] = []
        self.count = 0

    def add_entries(self, entries: pl.DataFrame) -> None:
        """Add entries: `tag`, `line`, `time_us`, `value`, `quality`."""
        self._held.append(entries)
        self.count += entries.height
        if sum(held.height for held in self._held) >= _INSERT_ROWS:
            self._write_held()

    def add_aside(self, rows: pl.DataFrame) -> None:
        """Add rows that are set aside."""
        self._insert("aside", rows)

    def add_taken_out(self, entries: pl.DataFrame) -> None:
        """Add entries that are no samples after all: `line`, `tag`, `reason`."""
        self._insert("taken_out", entries)

    def frames(self, rows: int) -> Iterator[pl.DataFrame]:
        """Return the entries cut by time into pieces of about `rows`, each in file order.

        All entries of one instant are in one piece, which may make it larger.
        """
        self._write_held()
        if not self.count:
            return
        times = np.sort(np.concatenate(self._samples))
        cuts = np.unique(times[:: max(1, rows // _SAMPLE_EVERY)][1:]).tolist()
        firsts = ["true", *(f"time_us >= {cut}" for cut in cuts)]
        pasts = [*(f"time_us < {cut}" for cut in cuts), "true"]
        for first, past in zip(firsts, pasts, strict=True):
            yield self._frame(f"SELECT * FROM entries WHERE {first} AND {past}")

    def taken_out(self, first_line: int, past_line: int) -> pl.DataFrame:
        """Return those on a span of lines, by line."""
        return self._frame(
            f"SELECT * FROM taken_out WHERE line >= {first_line} AND line < {past_line} "
            "ORDER BY line"
        )

    @property
    def has_taken_out(self) -> bool:
        """True where there are any."""
        return bool(self._frame("SELECT 1 FROM taken_out LIMIT 1").height)

    def count_aside(self, lines: pl.Series) -> int:
        """Return how many rows of these lines are set aside."""
        self._connection.register("lines", Stream(lines.alias("line").to_frame()))
        query = "SELECT count(*) AS n FROM aside WHERE line IN (SELECT line FROM lines)"
        count = int(self._frame(query).item())
        self._connection.unregister("lines")
        return count

    def has_aside(self, reason: str) -> bool:
        """True where any row is set aside for this reason."""
        query = "SELECT 1 FROM aside WHERE reason = ? LIMIT 1"
        return bool(self._connection.execute(query, [reason]).fetchall())

    def first_us(self) -> int | None:
        """Return the earliest instant of all entries, None where there are none."""
        self._write_held()
        first = self._frame("SELECT min(time_us) AS first FROM entries").item()
        return None if first is None else int(first)

    def tags_within(self, first_us: int, last_us: int) -> npt.NDArray[np.uint32]:
        """Return the numbers of the tags with entries in a span of time."""
        self._write_held()
        inside = f"time_us BETWEEN {first_us} AND {last_us}"
        tags = self._frame(f"SELECT DISTINCT tag FROM entries WHERE {inside}")["tag"]
        return tags.to_numpy()

    def aside(self) -> Iterator[pl.DataFrame]:
        """Return the rows set aside, some at a time."""
        total = self._frame("SELECT count(*) AS n FROM aside").item()
        for first in range(0, int(total), _ASIDE_ROWS):
            past = first + _ASIDE_ROWS
            yield self._frame(f"SELECT * FROM aside WHERE rowid >= {first} AND rowid < {past}")

    def _write_held(self) -> None:
        """Write out entries that were held back, for many at once are quicker than a few."""
        if self._held:
            entries = pl.concat(self._held)
            self._insert("entries", entries)
            ordered = np.sort(entries["time_us"].to_numpy())
            self._samples.append(ordered[::_SAMPLE_EVERY].copy())  # a view would keep all of them
            self._held = []

    def _insert(self, table: str, frame: pl.DataFrame) -> None:
        if frame.height:
            self._connection.register("frame", Stream(frame))
            self._connection.execute(f"INSERT INTO {table} SELECT * FROM frame")
            self._connection.unregister("frame")

    def _frame(self, query: str) -> pl.DataFrame:
        return pl.DataFrame(self._connection.sql(query))


@contextmanager
def staging(store: Store, kind: type[S]) -> Iterator[S]:
    """Open a staging file beside the store, which meanwhile keeps its own memory small too.

    Raises:
        StoreError: it cannot be written.
    """
    path = staging_path(store.path)
    before = store.connection.sql("SELECT current_setting('memory_limit')").fetchall()[0][0]
    try:
        remove_file(path)
        with duckdb.connect(str(path), config={**OFFLINE, "memory_limit": _MEMORY}) as connection:
            store.connection.execute(f"SET memory_limit = '{_MEMORY}'")
            yield kind(connection)
    except (*DISK_ERRORS, OSError) as error:
        raise StoreError(
            f"{path}: a large export could not be spread out beside the store "
            f"({first_line(error)}); check that the disk has room. Nothing of it was stored."
        ) from error
    finally:
        # What failed first is to be reported: on a full disk these fail too.
        with suppress(*DISK_ERRORS):
            store.connection.execute(f"SET memory_limit = '{before}'")
        with suppress(OSError):
            remove_file(path)
