"""Opening a store: one DuckDB file, brought to this version's schema, held by one process."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

import duckdb

from rowcall.errors import StoreError
from rowcall.store.schema import MIGRATIONS, RECORD
from rowcall.store.stream import Stream
from rowcall.store.trouble import DISK_ERRORS, is_disk_failure, store_trouble, unopened

if TYPE_CHECKING:
    import polars as pl

# Nothing may be fetched at run time: every function that the store uses is built in.
OFFLINE: dict[str, str | bool | int | float | list[str]] = {
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}


class Store:
    """A context manager around one DuckDB connection to a store of the current schema.

    Attributes:
        connection: the open connection; all of its TIMESTAMP columns are UTC.
        path: the DuckDB file.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, path: Path) -> None:
        self.connection = connection
        self.path = path

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False) -> Store:
        """Open the store at `path`; unless `read_only`, create it and bring it up to date.

        Raises:
            StoreError: locked by another process, not a store, of a newer version, or not there.
        """
        if read_only and not path.exists():
            raise StoreError(f"{path}: there is no store here yet; take in an export first.")
        connection = _connect(path, read_only)
        try:
            connection.execute("SET TimeZone = 'UTC'")
            _migrate(connection, path, read_only)
        except BaseException as error:
            connection.close()
            if is_disk_failure(error):
                raise unopened(path, error) from error
            raise
        return cls(connection, path)

    def close(self) -> None:
        """Write everything out and let go of the file."""
        self.connection.close()

    def hold_at_most(self, size: str) -> None:
        """Keep no more in memory of what was read and may never be read again.

        DuckDB's own limit is most of the memory there is: a year is all held, as far as that goes.
        """
        self.connection.execute(f"SET memory_limit = '{size}'")

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Commit everything done inside, or nothing of it when an exception leaves the block."""
        with _transaction(self.connection):
            yield

    @contextmanager
    def keeping(self, what: str) -> Iterator[None]:
        """A transaction that tells in a plain sentence when `what` could not reach the disk.

        Raises:
            StoreError: the disk is full or fails; nothing done inside was kept.
        """
        try:
            with self.transaction():
                yield
        except duckdb.Error as error:
            if not is_disk_failure(error):
                raise
            raise store_trouble(
                self.path,
                error,
                f"{what} could not be kept, because the store could not be written",
                "What it held before is whole, and the next run makes up for it.",
            ) from error

    @contextmanager
    def view(self, name: str, frame: pl.DataFrame) -> Iterator[None]:
        """Let statements read `frame` as the table `name` while inside the block."""
        stream = Stream(frame)
        self.connection.register(name, stream)
        try:
            yield
        except BaseException:
            # A failed statement may have ended the transaction; what failed first is reported.
            with suppress(duckdb.Error):
                self.connection.unregister(name)
            raise
        finally:
            stream.release()
        self.connection.unregister(name)

    def frame(self, query: str) -> pl.DataFrame:
        """Return the rows of a SELECT."""
        import polars as pl

        return pl.DataFrame(self.connection.sql(query))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Close the store; where the disk failed, whatever was asked, raise a StoreError."""
        try:
            self.close()
        except DISK_ERRORS as failed:
            error = error or failed
        if isinstance(error, duckdb.Error) and is_disk_failure(error):
            raise store_trouble(
                self.path,
                error,
                "the store could not be read or written",
                "What was kept before is whole.",
            ) from error


@contextmanager
def _transaction(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    connection.execute("BEGIN")
    try:
        yield
    except BaseException:
        # After a failed write DuckDB may have rolled back itself; what failed first is reported.
        with suppress(duckdb.Error):
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def _connect(path: Path, read_only: bool) -> duckdb.DuckDBPyConnection:
    if path.is_dir():
        raise StoreError(f"{path}: this is a folder; folders.store must name a file.")
    try:
        if not path.exists():
            _make_empty(path)
        return duckdb.connect(str(path), read_only=read_only, config=OFFLINE)
    except (OSError, duckdb.Error) as error:
        raise unopened(path, error) from error


def _make_empty(path: Path) -> None:
    """Make an empty database, under its own name only when complete.

    DuckDB refuses a file whose three headers are not all there, so a run killed between them, or
    a full disk, would otherwise block every later run.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    made = path.with_name(path.name + ".new")
    made.unlink(missing_ok=True)
    duckdb.connect(str(made), config=OFFLINE).close()
    made.rename(path)


def _migrate(connection: duckdb.DuckDBPyConnection, path: Path, read_only: bool) -> None:
    """Apply the migrations that the store lacks, with their records, all of them or none."""
    version = _version(connection, path)
    if version > len(MIGRATIONS):
        raise StoreError(
            f"{path}: the store has schema version {version}, and this rowcall knows versions "
            f"up to {len(MIGRATIONS)}; update rowcall."
        )
    if version == len(MIGRATIONS):
        return
    if read_only:
        raise StoreError(
            f"{path}: the store has schema version {version} and must be brought to version "
            f"{len(MIGRATIONS)} first; run a nightly once."
        )
    with _transaction(connection):
        for number, migration in enumerate(MIGRATIONS[version:], start=version + 1):
            if number == 1:
                connection.execute(RECORD)
            connection.execute(migration.sql)
            connection.execute(
                "INSERT INTO rowcall_schema VALUES (?, ?, now()::TIMESTAMP)",
                [number, migration.name],
            )


def _version(connection: duckdb.DuckDBPyConnection, path: Path) -> int:
    """Return the schema version of the store, 0 for an empty file."""
    rows = connection.execute(
        "SELECT table_name FROM information_schema.tables WHERE table_schema = 'main'"
    ).fetchall()
    names = {str(name) for (name,) in rows}
    if not names:
        return 0
    if "rowcall_schema" not in names:
        raise StoreError(
            f"{path}: this DuckDB file was not made by rowcall (its tables: "
            f"{', '.join(sorted(names)[:5])}); let folders.store name another file."
        )
    # Every row is fetched: DuckDB counts a result as open until its end was seen.
    ((version,),) = connection.execute("SELECT max(version) FROM rowcall_schema").fetchall()
    return 0 if version is None else int(version)
