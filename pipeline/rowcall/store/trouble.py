"""What went wrong with the file of a store, in a sentence that says what to do about it."""

from __future__ import annotations

from pathlib import Path

import duckdb

from rowcall.errors import StoreError

# What DuckDB raises when the disk is full or fails; anything else is a fault of the statement.
DISK_ERRORS = (duckdb.OperationalError, duckdb.FatalException)

# DuckDB keeps a checksum of each block; a wrong one is an error of no class of its own.
_DAMAGE = ("corrupt database file", "could not read enough bytes", "replaying wal file")
_REPAIR = (
    "Keep the damaged file, and the one that ends in .wal beside it, under other names, put the "
    "newest backup in its place and run the nightly job: it takes in what the inbox still holds "
    "and judges the days since. Without a backup it begins a new store from the inbox; what "
    "only the old one held is lost. `rowcall check-store` says whether a file is whole."
)
_CAUSES = (
    (
        ("could not set lock", "being used by another process", "already open"),
        "another process has the store open; wait until it has ended, or close the program that "
        "reads the file.",
    ),
    (
        ("wal was created for",),
        "the file that ends in .wal beside it belongs to another copy of the store, as where a "
        "backup was put in its place; move that file away and run again.",
    ),
    (
        ("different configuration",),
        "this process already has the store open in another way; close it first.",
    ),
    (
        ("not a valid duckdb", "valid duckdb database"),
        "this file is not a DuckDB store, or its beginning is damaged. Where it was one, put the "
        "newest backup in its place; else move it away, or let folders.store in the site file "
        "name another file.",
    ),
    (
        ("storage version", "newer version", "older version"),
        "the store was written by another DuckDB version; update rowcall.",
    ),
)


def is_damage(error: BaseException) -> bool:
    """True where DuckDB found the content of the file damaged."""
    return isinstance(error, duckdb.Error) and any(mark in str(error).lower() for mark in _DAMAGE)


def is_disk_failure(error: BaseException) -> bool:
    """True where the disk or the file failed, whatever the statement was."""
    return isinstance(error, DISK_ERRORS) or is_damage(error)


def is_interruption(error: BaseException) -> bool:
    """True where DuckDB gave up a query for a signal, whose own exception it replaces."""
    return type(error) is RuntimeError and str(error) == "Query interrupted"


def unopened(path: Path, error: BaseException) -> StoreError:
    """Return why a store cannot be opened."""
    low = str(error).lower()
    for marks, cause in _CAUSES:
        if any(mark in low for mark in marks):
            return StoreError(f"{path}: {cause}")
    if is_damage(error):
        return _damaged(path, error)
    return StoreError(f"{path}: the store cannot be opened ({first_line(error)}).")


def store_trouble(path: Path, error: BaseException, what: str, remains: str) -> StoreError:
    """Return that a disk or file failed: `what` came to nothing, and what `remains` true."""
    if is_damage(error):
        return _damaged(path, error)
    text = f"{path}: {what} ({first_line(error)}); check that the disk has room and can be read."
    return StoreError(f"{text} {remains}")


def first_line(said: object) -> str:
    """Return the first line of what DuckDB or the system said."""
    return next(iter(str(said).strip().splitlines()), "no reason given")


def _damaged(path: Path, error: BaseException) -> StoreError:
    return StoreError(f"{path}: the store is damaged ({first_line(error)}). {_REPAIR}")
