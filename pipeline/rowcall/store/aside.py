"""Rows that take-in set aside: counted, listed and exported, so that nothing is lost unseen."""

from __future__ import annotations

import polars as pl

from rowcall.store.connection import Store

_FORMULA = r"^[=+\-@\t\r]"
_NUMBER = r"^[+\-]?[\d.,]+(?:[eE][+\-]?\d+)?$"


def aside_counts(store: Store) -> pl.DataFrame:
    """Return how many rows were set aside: `file`, `reason`, `rows`, most first."""
    counts: pl.DataFrame = store.connection.sql(
        "SELECT files.name AS file, reason, count(*) AS rows FROM set_aside JOIN files "
        "USING (file_id) GROUP BY ALL ORDER BY rows DESC, file, reason"
    ).pl()
    return counts


def aside_rows(store: Store) -> pl.DataFrame:
    """Return every row set aside: `file`, `line`, `column`, `raw` (as it stood), `reason`."""
    rows: pl.DataFrame = store.connection.sql(
        'SELECT files.name AS file, line, column_name AS "column", raw, reason FROM set_aside '
        "JOIN files USING (file_id) ORDER BY file_id, line, column_name"
    ).pl()
    return rows


def harmless(rows: pl.DataFrame) -> pl.DataFrame:
    """Return a table of texts that a spreadsheet will not take for formulas.

    A text that begins like a formula, and is no plain number, gets an apostrophe before it.
    """
    text = pl.col(pl.String)
    is_formula = text.str.contains(_FORMULA) & ~text.str.contains(_NUMBER)
    return rows.with_columns(pl.when(is_formula).then("'" + text).otherwise(text).name.keep())
