"""Rows that take-in set aside: counted, listed and exported, so that nothing is lost unseen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from rowcall.store.connection import Store
from rowcall.store.samples import naive_utc

if TYPE_CHECKING:
    import polars as pl


@dataclass(frozen=True, slots=True)
class Kept:
    """Which rows are listed: those whose file's name and reason hold these texts."""

    file: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class LargelyAside:
    """A file of which many rows were set aside, and the reason of most of them."""

    name: str
    rows: int
    rows_read: int
    reason: str


def largely_aside(
    store: Store, since: datetime, min_share: float, intended: str
) -> list[LargelyAside]:
    """Return the files taken in since an instant of which more than a share was set aside.

    Args:
        intended: a reason that does not count, as the site file asks for it.
    """
    rows = store.connection.execute(
        "SELECT name, sum(n)::BIGINT, rows_read, arg_max(reason, n) FROM files JOIN (SELECT "
        "file_id, reason, count(*) AS n FROM set_aside WHERE reason <> ? GROUP BY ALL) USING "
        "(file_id) WHERE taken_in_at >= ? GROUP BY file_id, name, rows_read "
        "HAVING sum(n) > ? * rows_read ORDER BY file_id",
        [intended, naive_utc(since), min_share],
    ).fetchall()
    return [LargelyAside(*row) for row in rows]


def aside_counts(store: Store, kept: Kept | None = None) -> pl.DataFrame:
    """Return how many rows were set aside: `file`, `reason`, `rows`, most first."""
    return _kept(
        store,
        "SELECT files.name AS file, reason, count(*) AS rows FROM set_aside JOIN files "
        "USING (file_id) WHERE {} GROUP BY ALL ORDER BY rows DESC, file, reason",
        kept,
    )


def aside_rows(store: Store, kept: Kept | None = None) -> pl.DataFrame:
    """Return every row set aside: `file`, `line`, `column`, `raw` (as it stood), `reason`."""
    return _kept(
        store,
        'SELECT files.name AS file, line, column_name AS "column", raw, reason FROM set_aside '
        "JOIN files USING (file_id) WHERE {} ORDER BY file_id, line, column_name",
        kept,
    )


def _kept(store: Store, query: str, kept: Kept | None) -> pl.DataFrame:
    wanted = kept or Kept()
    where = "contains(lower(files.name), lower(?)) AND contains(lower(reason), lower(?))"
    found: pl.DataFrame = store.connection.sql(
        query.format(where), params=[wanted.file, wanted.reason]
    ).pl()
    return found
