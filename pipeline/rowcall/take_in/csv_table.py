"""The lines of a text export as a frame of text cells, each with its true line number.

A field never spans lines: a line whose quotes do not pair up is set aside alone, instead of
swallowing what follows. So a row is a line, and every row's line number is known.
"""

from __future__ import annotations

import csv

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.head import Head
from rowcall.take_in.table import Table, column, set_aside

_BLOCK_BYTES = 8_000_000  # bounds the memory of the slower road
_NEWLINE, _QUOTE = ord("\n"), ord('"')
OPEN_QUOTE = "a quote on this line is not closed"

Longs = npt.NDArray[np.int64]


def read_lines(file: str, text: bytes, head: Head) -> Table:
    """Return the data lines of a text export; blank lines are passed over.

    Raises:
        ExportError: the text cannot be cut into fields.
    """
    body = _body(text, head.data_line)
    width, rows = len(head.names), body.count(b"\n") + 1
    # Too many fields on one line and too few on another could balance in this sum; then the
    # parser refuses the line with too many.
    if b'"' not in body and body.count(head.delimiter.encode()) == rows * (width - 1):
        frame = _parse(body, head.delimiter, width)
        if frame is not None and frame.height == rows:
            nothing = set_aside([], [], [], [])
            return Table(head.names, frame, head.data_line, None, nothing, head.delimiter)
    return _read_irregular(file, body, head)


def _body(text: bytes, data_line: int) -> bytes:
    """Return the lines from `data_line` on, without line ends at the very end."""
    start, end = 0, len(text)
    for _ in range(data_line - 1):
        start = text.index(b"\n", start) + 1
    while end > start and text[end - 1] in b"\r\n":
        end -= 1
    return text[start:end]


def _parse(
    body: bytes, delimiter: str, width: int, quote: str | None = None
) -> pl.DataFrame | None:
    """Cut regular text into cells; None where the parser finds it is not regular."""
    try:
        return pl.scan_csv(
            body,
            has_header=False,
            separator=delimiter,
            quote_char=quote,
            schema={column(place): pl.String for place in range(width)},
            empty_string_is_null=False,
        ).collect(engine="streaming")
    except pl.exceptions.PolarsError:
        return None


def _read_irregular(file: str, body: bytes, head: Head) -> Table:
    """Take the lines apart that are no rows, and cut the others into cells."""
    width = len(head.names)
    good: list[bytes] = []
    numbers: list[Longs] = []
    rejected: list[tuple[int, str, str]] = []
    line, start = head.data_line, 0
    while start < len(body):
        end = body.find(b"\n", start + _BLOCK_BYTES)
        block = body[start : len(body) if end < 0 else end]
        kept, counts = _sort_lines(block, head.delimiter, width)
        lines = block.split(b"\n") if not kept.all() else []
        for place in np.flatnonzero(~kept):
            if lines[place].strip():
                shown = lines[place].decode().rstrip("\r")
                rejected.append((line + int(place), shown, _reason(int(counts[place]), width)))
        good.append(b"\n".join(lines[p] for p in np.flatnonzero(kept)) if lines else block)
        numbers.append(np.flatnonzero(kept) + line)
        line += len(kept)
        start += len(block) + 1
    rows = np.concatenate(numbers)
    text = b"\n".join(piece for piece in good if piece)
    frame = _parse(text, head.delimiter, width, '"') if len(rows) else _empty(width)
    if frame is None or frame.height != len(rows):
        frame = _parse_slowly(file, text, head)
    set_aside_rows = set_aside(
        [number for number, _, _ in rejected],
        "",
        [raw for _, raw, _ in rejected],
        [reason for _, _, reason in rejected],
    )
    return Table(head.names, frame, head.data_line, rows, set_aside_rows, head.delimiter)


def _sort_lines(block: bytes, delimiter: str, width: int) -> tuple[npt.NDArray[np.bool_], Longs]:
    """Return, a line: whether it is a row of `width` fields, and its fields (-1: open quote)."""
    codes = np.frombuffer(block, np.uint8)
    ends = np.append(np.flatnonzero(codes == _NEWLINE), len(codes))
    cuts = np.flatnonzero(codes == ord(delimiter))
    quotes = np.flatnonzero(codes == _QUOTE)
    per_line = np.diff(np.searchsorted(quotes, ends), prepend=0)
    if len(quotes):
        starts = np.append(0, ends[:-1] + 1)
        line_of_cut = np.searchsorted(ends, cuts)
        before = np.searchsorted(quotes, cuts) - np.searchsorted(quotes, starts)[line_of_cut]
        cuts = cuts[before % 2 == 0]
    fields = np.diff(np.searchsorted(cuts, ends), prepend=0) + 1
    fields[per_line % 2 == 1] = -1
    return fields == width, fields


def _reason(fields: int, width: int) -> str:
    return OPEN_QUOTE if fields < 0 else f"the line has {fields} fields instead of {width}"


def _empty(width: int) -> pl.DataFrame:
    return pl.DataFrame(schema={column(place): pl.String for place in range(width)})


def _parse_slowly(file: str, text: bytes, head: Head) -> pl.DataFrame:
    """Cut lines one by one: for quotes in odd places, which the quick parser refuses."""
    width = len(head.names)
    rows = []
    for line in text.decode().split("\n"):
        row = next(csv.reader([line.rstrip("\r")], delimiter=head.delimiter), [])
        if len(row) != width:
            raise ExportError(
                f"{file}: the line {line[:60]!r} cannot be cut into {width} fields; "
                "export the file with a quote only around whole fields."
            )
        rows.append(row)
    return pl.DataFrame(rows, schema=_empty(width).schema, orient="row")
