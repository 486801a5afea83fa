"""Whether a store is whole: every block read, every count of the ledger compared."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb

from rowcall.errors import StoreError
from rowcall.store.archive.archived import ArchivedDay, archived_days, folder_of
from rowcall.store.archive.storage import digest_of, is_there
from rowcall.store.connection import Store
from rowcall.store.nights.judgements import judged_days
from rowcall.store.trouble import first_line, is_disk_failure


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was checked, and what is wrong with it ("" where nothing is)."""

    what: str
    problem: str = ""


# What must never be true, as a query of the names of which it is.
_CONTRADICTIONS = (
    (
        "rows of each file: read = stored + replaced + unchanged + set aside",
        "SELECT name FROM files WHERE rows_read <> stored + replaced + unchanged + set_aside",
    ),
    (
        "rows set aside: as many as the ledger says",
        "SELECT name FROM files LEFT JOIN (SELECT file_id, count(*) AS n FROM set_aside GROUP BY "
        "file_id) USING (file_id) WHERE coalesce(n, 0) <> set_aside",
    ),
    (
        "samples: as many as the ledger says",
        "SELECT n || ' instead of ' || due FROM (SELECT (SELECT count(*) FROM samples) + "
        "(SELECT coalesce(sum(n_rows), 0)::BIGINT FROM archived) AS n, "
        "(SELECT coalesce(sum(stored), 0)::BIGINT FROM files) AS due) WHERE n <> due",
    ),
    (
        "tags: each sample has a name",
        "SELECT DISTINCT tag_id::VARCHAR FROM samples ANTI JOIN tags USING (tag_id)",
    ),
    (
        "results: of judged days only",
        "SELECT DISTINCT day::VARCHAR FROM findings ANTI JOIN judged USING (day)",
    ),
)


def check_store(store: Store, reports: Path) -> Iterator[Check]:
    """Read a store from end to end, and yield what was checked as it goes.

    DuckDB compares the checksum of each block that it reads; a table of which one is wrong is a
    problem, and so is every count that contradicts another.

    Args:
        reports: the folder of the site's reports; a judged day has its own in it.
    """
    for table in _tables(store):
        yield _read_whole(store, table)
    for what, query in _CONTRADICTIONS:
        yield _compared(store, what, query)
    yield _reports_there(list(judged_days(store)), reports)
    yield _archive_there(store)


def _archive_there(store: Store) -> Check:
    """Compare each archived file with the digest that it was archived with."""
    days = archived_days(store)
    folders = dict.fromkeys(one.file.rpartition("/day=")[0] for one in days)
    where = ", ".join(folders) or folder_of(store.path)
    try:
        problem = _listed([one.day.isoformat() for one in days if not _is_whole(one)])
    except StoreError as error:
        problem = str(error)
    return Check(f"{len(days)} archived days are whole in {where}", problem)


def _is_whole(one: ArchivedDay) -> bool:
    try:
        return is_there(one.file) and digest_of(one.file) == one.sha256
    except OSError:
        return False


def _tables(store: Store) -> list[str]:
    query = "SELECT table_name FROM information_schema.tables WHERE table_schema = 'main'"
    return sorted(str(name) for (name,) in store.connection.execute(query).fetchall())


def _read_whole(store: Store, table: str) -> Check:
    try:
        ((count, _),) = store.connection.execute(
            f'SELECT count(*), bit_xor(hash(t)) FROM "{table}" AS t'
        ).fetchall()
    except duckdb.Error as error:
        if not is_disk_failure(error):
            raise
        return Check(f"table {table}", f"it cannot be read whole ({first_line(error)})")
    return Check(f"table {table}: {count:,} rows read")


def _compared(store: Store, what: str, query: str) -> Check:
    try:
        names = [str(name) for (name,) in store.connection.execute(query).fetchall()]
    except duckdb.Error as error:
        if not is_disk_failure(error):
            raise
        return Check(what, "it cannot be checked, as a table cannot be read")
    return Check(what, _listed(names))


def _reports_there(days: list[date], reports: Path) -> Check:
    lacking = [day.isoformat() for day in sorted(days) if not (reports / day.isoformat()).is_dir()]
    return Check(f"reports of {len(days)} judged days are in {reports}", _listed(lacking))


def _listed(names: list[str]) -> str:
    shown = ", ".join(names[:5])
    more = f" and {len(names) - 5} more" if len(names) > 5 else ""
    return f"not so: {shown}{more}" if names else ""
