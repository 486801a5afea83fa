"""A Parquet export as a frame of typed cells."""

from __future__ import annotations

import io

import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.table import Table, column, set_aside

_SAMPLE_ROWS = 200


def read_parquet(file: str, raw: bytes) -> Table:
    """Return the rows of a Parquet file; the line of a row is its 1-based number.

    Raises:
        ExportError: empty, cut off, damaged, or without rows.
    """
    if not raw:
        raise ExportError(f"{file}: the file is empty (0 bytes); export it again.")
    try:
        frame = pl.read_parquet(io.BytesIO(raw))
    except (pl.exceptions.PolarsError, OSError) as error:
        reason = str(error).strip().splitlines()[0] if str(error).strip() else "no reason given"
        raise ExportError(
            f"{file}: this cannot be read as Parquet ({reason}); "
            "the file may be cut off, so copy or export it again."
        ) from error
    if not frame.height:
        raise ExportError(f"{file}: the file has columns but no rows; export it again.")
    names = tuple(frame.columns)
    frame.columns = [column(place) for place in range(len(names))]
    return Table(names, frame, 1, None, set_aside([], [], [], []), " | ")


def sample_rows(table: Table) -> list[list[str]]:
    """Return the first rows as text, in the forms in which a text export would hold them."""
    head = table.frame.head(_SAMPLE_ROWS)
    shown = [
        series.dt.to_string("%Y-%m-%dT%H:%M:%S%.f").fill_null("")
        if isinstance(series.dtype, (pl.Datetime, pl.Date))
        else series.cast(pl.String).fill_null("")
        for series in head
    ]
    return [list(row) for row in zip(*(series.to_list() for series in shown), strict=True)]
