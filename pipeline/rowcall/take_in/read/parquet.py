"""A Parquet export as frames of typed cells: at once, or batch by batch."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import BinaryIO

import polars as pl

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.read.cell_table import Table, column, set_aside
from rowcall.take_in.read.parquet_footer import open_checked, told

_SAMPLE_ROWS = 200
_PER_SECOND = {"ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
_FIRST_DAY, _LAST_DAY = -719_162, 2_932_896  # since 1970-01-01


def read_parquet(file: str, raw: bytes, pins: TakeIn | None = None) -> Table:
    """Return the rows of a Parquet file; the line of a row is its 1-based number.

    Raises:
        ExportError: empty, cut off, damaged, too large, without rows, or with columns of a kind
            that no export has.
    """
    opened = open_checked(file, io.BytesIO(raw), len(raw), pins or TakeIn())
    with told(file):
        # The footer is known to be sound, and this reader is several times quicker.
        frame = pl.read_parquet(io.BytesIO(raw))
        table = _table(tuple(frame.columns), frame, 1)
    _check_count(file, opened.metadata.num_rows, frame.height)
    return table


def parquet_tables(
    file: str, stream: BinaryIO, size_bytes: int, pins: TakeIn, batch_rows: int
) -> Iterator[Table]:
    """Return the rows of a Parquet file, `batch_rows` at a time.

    Raises:
        ExportError: as `read_parquet`.
    """
    opened = open_checked(file, stream, size_bytes, pins)
    names = tuple(opened.schema_arrow.names)
    count = 0
    with told(file):
        for batch in opened.iter_batches(batch_rows):
            batch.validate(full=True)
            yield _table(names, pl.DataFrame(batch), count + 1)
            count += batch.num_rows
    _check_count(file, opened.metadata.num_rows, count)


def sample_rows(table: Table) -> list[list[str]]:
    """Return the first rows as text, in the forms in which a text export would hold them."""
    head = table.frame.head(_SAMPLE_ROWS)
    shown = [
        series.dt.to_string("%Y-%m-%dT%H:%M:%S%.f").fill_null("")
        if isinstance(series.dtype, pl.Datetime)
        else series.cast(pl.String).fill_null("")
        for series in head
    ]
    return [list(row) for row in zip(*(series.to_list() for series in shown), strict=True)]


def _table(names: tuple[str, ...], frame: pl.DataFrame, first_row: int) -> Table:
    named = [series.alias(column(place)) for place, series in enumerate(frame)]
    plain = pl.DataFrame([_plain(series) for series in named])
    return Table(names, plain, first_row, None, set_aside([], [], [], []), " | ")


def _plain(series: pl.Series) -> pl.Series:
    """Return a column in a type that the rest knows.

    Instants outside of the years 1 to 9999, which no text can show, become null.
    """
    kind = series.dtype
    if kind == pl.Null or isinstance(kind, (pl.Categorical, pl.Enum)):
        return series.cast(pl.String)
    if kind == pl.Float16:
        return series.cast(pl.Float32)
    if not isinstance(kind, (pl.Datetime, pl.Date)):
        return series
    per_day = 86_400 * _PER_SECOND[kind.time_unit] if isinstance(kind, pl.Datetime) else 1
    number = series.to_physical()
    first, last = _FIRST_DAY * per_day, (_LAST_DAY + 1) * per_day - 1
    ends = [end for end in (number.min(), number.max()) if isinstance(end, int)]
    if all(first <= end <= last for end in ends):
        return series
    return series.set(~number.is_between(first, last).fill_null(True), None)


def _check_count(file: str, said: int, found: int) -> None:
    if said != found:
        raise ExportError(
            f"{file}: its footer says {said:,} rows, but it holds {found:,}; "
            "the file is damaged, so copy or export it again."
        )
