"""The footer of a Parquet file, checked before any data is read.

It says how much memory the data will ask for, and a damaged or made-up one may say anything.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, BinaryIO

import polars as pl

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.files.unpack import check_size

if TYPE_CHECKING:
    import pyarrow as pa
    import pyarrow.parquet as pq

_BYTES_PER_CELL = 8  # what a number or an instant takes in memory; texts take more


def open_checked(file: str, stream: BinaryIO, size_bytes: int, overrides: TakeIn) -> pq.ParquetFile:
    """Open a Parquet file whose footer makes sense.

    Raises:
        ExportError: empty, cut off, damaged, too large, without rows, or with columns of a kind
            that no export has.
    """
    import pyarrow.parquet as pq

    if not size_bytes:
        raise ExportError(f"{file}: the file is empty (0 bytes); export it again.")
    with explaining_errors(file):
        opened = pq.ParquetFile(stream)
        schema = opened.schema_arrow
    check_columns(file, len(schema.names), overrides)
    _check_kinds(file, schema)
    meta = opened.metadata
    groups = [meta.row_group(number) for number in range(meta.num_row_groups)]
    rows = sum(group.num_rows for group in groups)
    if rows != meta.num_rows or any(group.num_rows < 0 for group in groups):
        raise ExportError(
            f"{file}: its footer says {meta.num_rows:,} rows, and {rows:,} in its parts; "
            "the file is damaged, so copy or export it again."
        )
    if not rows:
        raise ExportError(f"{file}: the file has columns but no rows; export it again.")
    stated = sum(group.total_byte_size for group in groups)
    check_size(file, max(stated, memory_bytes(opened)), size_bytes, overrides.largest_unpacked)
    return opened


def memory_bytes(opened: pq.ParquetFile) -> int:
    """Return what the cells of a Parquet file take in memory, were they all numbers."""
    return int(opened.metadata.num_rows) * len(opened.schema_arrow.names) * _BYTES_PER_CELL


def check_columns(file: str, count: int, overrides: TakeIn) -> None:
    """Refuse a file with more columns than an export has.

    Raises:
        ExportError: it has more.
    """
    if count > overrides.most_columns:
        raise ExportError(
            f"{file}: the file has {count:,} columns, and {overrides.most_columns:,} is the most; "
            "check the delimiter, or raise take_in.most_columns in the site file."
        )


@contextmanager
def explaining_errors(file: str) -> Iterator[None]:
    """Turn whatever a damaged file makes of the reader into a plain sentence.

    Raises:
        ExportError: the reader failed.
    """
    import pyarrow as pa

    try:
        yield
    except (
        pa.ArrowException,
        pl.exceptions.PolarsError,
        pl.exceptions.PanicException,
        OSError,
        OverflowError,
        MemoryError,
        UnicodeDecodeError,
    ) as error:
        raise ExportError(
            f"{file}: this cannot be read as Parquet; "
            "the file may be cut off, so copy or export it again."
        ) from error


def _check_kinds(file: str, schema: pa.Schema) -> None:
    double = [name for name, count in Counter(schema.names).items() if count > 1]
    if double:
        raise ExportError(
            f"{file}: the column {shown(double[0])} occurs more than once; "
            "export each tag in one column."
        )
    for field in schema:
        if not _is_plain(field.type):
            raise ExportError(
                f"{file}: the column {shown(field.name)} holds {_kind_name(field.type)} instead "
                "of numbers, text or times; export it without that column."
            )


def _kind_name(kind: pa.DataType) -> str:
    """Return what a type is called, without what is in it."""
    return str(kind).partition("<")[0].partition("[")[0]


def _is_plain(kind: pa.DataType) -> bool:
    from pyarrow import types

    if types.is_dictionary(kind):
        return _is_plain(kind.value_type)
    tests = (
        types.is_boolean,
        types.is_integer,
        types.is_floating,
        types.is_decimal,
        types.is_string,
        types.is_large_string,
        types.is_string_view,
        types.is_timestamp,
        types.is_date,
        types.is_time,
        types.is_null,
    )
    return any(test(kind) for test in tests)
