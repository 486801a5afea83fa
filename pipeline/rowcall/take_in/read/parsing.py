"""Cutting a block of text into cells, in one pass; nothing here may need numpy."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from rowcall.take_in.read.cell_table import column
from rowcall.take_in.sniff.preamble import Head


@dataclass(frozen=True, slots=True)
class Cut:
    """A block of whole lines, cut into cells.

    Attributes:
        text: the block.
        data_line: 1-based number of its first line of data.
        quote: what some fields may stand in.
        frame: its rows as the parser makes them, whatever their number of fields was; None where
            it finds lines that it cannot cut.
    """

    text: bytes
    data_line: int
    quote: str | None
    frame: pl.DataFrame | None


def cut(text: bytes, head: Head, data_line: int) -> Cut:
    """Cut a block of text of an export that begins with `head`."""
    start, _ = data_bounds(text, data_line)
    quote = '"' if text.find(b'"', start) >= 0 else None
    frame = parse(text, head.delimiter, len(head.names), data_line - 1, quote=quote)
    return Cut(text, data_line, quote, frame)


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
) -> pl.DataFrame | None:
    """Cut text into cells; None where the parser finds lines that it cannot cut.

    Args:
        text: the whole text.
        delimiter: one sign.
        width: the number of columns; they are named as in a table's frame.
        skip: lines to be passed over.
        quote: what whole fields may stand in.
        ragged: leave out the fields beyond `width`, and fill up lines with fewer.
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
        return scanned.collect(engine="streaming")
    except pl.exceptions.PolarsError:
        return None
