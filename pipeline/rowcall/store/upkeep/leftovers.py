"""The place of the staging file beside a store, and what a killed run has left there."""

from __future__ import annotations

from pathlib import Path

from rowcall.errors import StoreError


def remove_leftovers(store: Path) -> None:
    """Remove what a killed run has left beside the store: it may be as large as the export was.

    To be called while no other run can be at work on the store.

    Raises:
        StoreError: it cannot be removed.
    """
    path = staging_path(store)
    try:
        remove_file(path)
    except OSError as error:
        raise StoreError(
            f"{path}: what an interrupted run has left cannot be removed "
            f"({error.strerror or error}); check that this account may write to its folder."
        ) from error


def staging_path(store: Path) -> Path:
    """Return where a store's staging file lies."""
    return store.with_name(store.name + ".staging")


def remove_file(path: Path) -> None:
    """Remove a DuckDB file and its log, should they be there."""
    for each in (path, path.with_name(path.name + ".wal")):
        each.unlink(missing_ok=True)
