"""The place of the staging file beside a store, and what a killed run has left there."""

from __future__ import annotations

from pathlib import Path

from rowcall.store.connection import Store


def remove_leftovers(store: Store) -> None:
    """Remove what a killed run has left: it may be as large as the export was."""
    remove_file(staging_path(store))


def staging_path(store: Store) -> Path:
    """Return where a store's staging file lies."""
    return store.path.with_name(store.path.name + ".staging")


def remove_file(path: Path) -> None:
    """Remove a DuckDB file and its log, should they be there."""
    for each in (path, path.with_name(path.name + ".wal")):
        each.unlink(missing_ok=True)
