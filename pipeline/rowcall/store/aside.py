"""Rows that take-in set aside: counted, listed and exported, so that nothing is lost unseen."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from rowcall.store.connection import Store

# What a spreadsheet runs may have blanks before it, and full-width signs count as well.
_FORMULA = "^\\s*[=+\\-@\uff1d\uff0b\uff0d\uff20]|^[\\t\\r\\n]"
_NUMBER = r"^[+\-]?[\d.,]+(?:[eE][+\-]?\d+)?$"


@dataclass(frozen=True, slots=True)
class Kept:
    """Which rows are listed: those whose file's name and reason hold these texts."""

    file: str = ""
    reason: str = ""


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


def harmless(rows: pl.DataFrame) -> pl.DataFrame:
    """Return a table of texts that a spreadsheet will not take for formulas.

    A text that begins like a formula, and is no plain number, gets an apostrophe before it.
    """
    text = pl.col(pl.String)
    is_formula = text.str.contains(_FORMULA) & ~text.str.contains(_NUMBER)
    return rows.with_columns(pl.when(is_formula).then("'" + text).otherwise(text).name.keep())
