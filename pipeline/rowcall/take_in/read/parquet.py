"""A Parquet export as frames of typed cells, batch by batch."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import TYPE_CHECKING, BinaryIO

import polars as pl

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.files.sources import Source
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.read.cell_table import NOTHING_ASIDE, Table, column
from rowcall.take_in.read.parquet_footer import explaining_errors, memory_bytes, open_checked

if TYPE_CHECKING:
    import pyarrow.parquet as pq

_SAMPLE_ROWS = 200  # chosen: as many as the lines of a text that are looked at first
_PER_SECOND = {"ms": 1_000, "us": 1_000_000, "ns": 1_000_000_000}
_FIRST_DAY, _LAST_DAY = -719_162, 2_932_896  # 0001-01-01 and 9999-12-31, since 1970-01-01


def parquet_tables(
    source: Source, stream: BinaryIO, overrides: TakeIn, memory: Memory
) -> Iterator[Table]:
    """Return the rows of a Parquet file; the line of a row is its 1-based number.

    Raises:
        ExportError: empty, cut off, damaged, too large, without rows, or with columns of a kind
            that no export has.
    """
    file, count, rows = source.name, 0, max(1, memory.slice_rows // 4)
    if source.size_bytes <= memory.whole_bytes:
        stream = io.BytesIO(stream.read())
    opened = open_checked(file, stream, source.size_bytes, overrides)
    names = tuple(opened.schema_arrow.names)
    with explaining_errors(file):
        if memory_bytes(opened) <= memory.whole_bytes:
            # The footer is known to be sound, and this reader is several times quicker.
            stream.seek(0)
            frames: Iterator[pl.DataFrame] = pl.scan_parquet(stream).collect_batches(
                chunk_size=rows, maintain_order=True
            )
        else:
            frames = _batches(opened, rows)
        for frame in frames:
            yield _table(names, frame, count + 1)
            count += frame.height
    _check_count(file, opened.metadata.num_rows, count)


def _batches(opened: pq.ParquetFile, rows: int) -> Iterator[pl.DataFrame]:
    for batch in opened.iter_batches(rows):
        batch.validate(full=True)
        yield pl.DataFrame(batch)


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
    return Table(names, plain, first_row, None, NOTHING_ASIDE, " | ")


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
