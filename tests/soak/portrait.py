"""Everything a plant's folder holds after a run, in a form that two runs can be compared by."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

STORE = "rowcall.duckdb"
# When something was done is the only thing that an interrupted night may tell differently.
_CLOCK_COLUMNS = {
    *("taken_in_at", "judged_at", "applied_at", "changed_at", "first_failed_at", "written_ns"),
    *("first_said", "last_said", "mailed"),
}


@dataclass(frozen=True, slots=True)
class Portrait:
    """Names of all files and folders, bytes of all files but the store, and the store's tables."""

    names: frozenset[str]
    contents: dict[str, bytes]
    tables: dict[str, pl.DataFrame]


def portrait(plant: Path) -> Portrait:
    """Take a plant's portrait; no run may be at work on it."""
    paths = {path.relative_to(plant).as_posix(): path for path in plant.rglob("*")}
    # A lock file may stay behind or not, and so may what an idle run keeps for the next one: that
    # it blocks nobody, and is not believed after a change, is what counts.
    passing = (".lock", ".idle", ".idle.part")
    names = frozenset(name for name in paths if not name.endswith(passing))
    contents = {
        name: paths[name].read_bytes()
        for name in sorted(names)
        if paths[name].is_file() and not name.startswith(STORE)
    }
    return Portrait(names, contents, _tables(plant / STORE))


def differences(seen: Portrait, wanted: Portrait) -> list[str]:
    """Return in plain words in what a portrait differs from the wanted one; empty: in nothing."""
    out = [f"{name} is left over" for name in sorted(seen.names - wanted.names)]
    out += [f"{name} is missing" for name in sorted(wanted.names - seen.names)]
    out += [
        f"{name} has other bytes"
        for name in sorted(seen.contents.keys() & wanted.contents.keys())
        if seen.contents[name] != wanted.contents[name]
    ]
    if seen.tables.keys() != wanted.tables.keys():
        out.append(f"tables {sorted(seen.tables)} instead of {sorted(wanted.tables)}")
    for name in sorted(seen.tables.keys() & wanted.tables.keys()):
        have, want = seen.tables[name], wanted.tables[name]
        if not have.equals(want):
            out.append(f"table {name} differs ({have.height} rows, wanted {want.height})")
    return out


def _tables(store: Path) -> dict[str, pl.DataFrame]:
    """Return every table of a store with its rows in one fixed order; empty without a store."""
    if not store.exists():
        return {}
    with duckdb.connect(str(store), read_only=True) as connection:
        rows = connection.execute(
            "SELECT table_name, list(column_name ORDER BY ordinal_position) "
            "FROM information_schema.columns WHERE table_schema = 'main' GROUP BY table_name"
        ).fetchall()
        return {
            str(table): connection.sql(
                f"SELECT {', '.join(_kept(columns))} FROM {table} ORDER BY ALL"
            ).pl()
            for table, columns in rows
        }


def _kept(columns: list[str]) -> list[str]:
    return [f'"{column}"' for column in columns if column not in _CLOCK_COLUMNS]
