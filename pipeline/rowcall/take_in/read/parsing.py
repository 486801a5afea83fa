"""Cutting a long text into cells, in one pass over all of it."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from rowcall.take_in.read.cell_table import column


def data_bounds(text: bytes, data_line: int) -> tuple[int, int]:
    """Return where the data begins, and where it ends but for line ends at the very end."""
    start, end = 0, len(text)
    for _ in range(data_line - 1):
        start = text.index(b"\n", start) + 1
    while end > start and text[end - 1] in b"\r\n":
        end -= 1
    return start, end


def parse(
    text: bytes,
    delimiter: str,
    width: int,
    skip: int = 0,
    *,
    quote: str | None = None,
    ragged: bool = False,
    wanted: Sequence[pl.Expr] = (),
) -> pl.DataFrame | None:
    """Cut text into cells; None where the parser finds lines that it cannot cut.

    Args:
        text: the whole text.
        delimiter: one sign.
        width: the number of columns; they are named as in a table's frame.
        skip: lines to be passed over.
        quote: what whole fields may stand in.
        ragged: leave out the fields beyond `width`, and fill up lines with fewer.
        wanted: what to make of the columns; without any, all of them as text.
    """
    try:
        scanned = pl.scan_csv(
            text,
            has_header=False,
            skip_lines=skip,
            truncate_ragged_lines=ragged,
            missing_columns="insert" if ragged else "raise",
            separator=delimiter,
            quote_char=quote,
            schema={column(place): pl.String for place in range(width)},
            empty_string_is_null=False,
        )
        return (scanned.select(wanted) if wanted else scanned).collect(engine="streaming")
    except pl.exceptions.PolarsError:
        return None
