"""The lines of a text export as a frame of text cells, each with its true line number.

A field never spans lines: a line whose quotes do not pair up is set aside alone, instead of
swallowing what follows. So a row is a line, and every row's line number is known.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.read.cell_table import Table, column, set_aside
from rowcall.take_in.read.parsing import TextForm, parse
from rowcall.take_in.sniff.delimiter import cut_line

_BLOCK_BYTES = 500_000  # counted at a time: what fits a processor's cache
_NEWLINE, _QUOTE = ord("\n"), ord('"')
MORE_FIELDS = ", as where decimal commas cut numbers in two"
OPEN_QUOTE = "a quote on this line is not closed"

Longs = npt.NDArray[np.int64]


def read_irregular(
    text: bytes, start: int, past: int, form: TextForm, data_line: int, frame: pl.DataFrame | None
) -> Table:
    """Take the lines apart that are no rows, and cut the others into cells; blank ones go.

    Args:
        start: where the data begins, on the 1-based `data_line`, and ends (`past`).
        frame: as cut without quotes, a row a line; None where they may be quoted.

    Raises:
        ExportError: the text cannot be cut into fields.
    """
    width, head = len(form.head.names), form.head
    bounds, fields = _lines(text, start, past, head.delimiter)
    is_row = fields == width
    if frame is not None and frame.height >= len(fields):
        frame = frame.head(len(fields)).filter(pl.Series(is_row))
    else:
        frame = _parse_rows(text, bounds, is_row, form)
    odd = np.flatnonzero(~is_row)
    raw = [text[bounds[place] : bounds[place + 1] - 1].decode() for place in odd]
    out = _odd_lines(odd + data_line, raw, fields[odd], width, head.delimiter)
    lines = np.flatnonzero(is_row) + data_line
    return Table(head.names, frame, data_line, lines, out, head.delimiter)


def _odd_lines(
    lines: Longs, raw: Sequence[str], fields: Longs, width: int, delimiter: str
) -> pl.DataFrame:
    """Set lines aside that have another number of fields than `width`, but for blank ones."""
    filled = [at for at, line in enumerate(raw) if line.strip()]
    return set_aside(
        lines[filled],
        "",
        [raw[at].rstrip("\r") for at in filled],
        [_reason(int(fields[at]), width, delimiter) for at in filled],
    )


def _parse_rows(
    text: bytes, bounds: Longs, is_row: npt.NDArray[np.bool_], form: TextForm
) -> pl.DataFrame:
    """Cut the lines that are rows into cells, where fields may be quoted."""
    odd = np.flatnonzero(~is_row)
    first, past = np.append(bounds[0], bounds[odd + 1]), np.append(bounds[odd], bounds[-1]) - 1
    pieces = [text[a:b] for a, b in zip(first.tolist(), past.tolist(), strict=True) if b > a]
    if not pieces:
        return _text_frame([], form)
    rest = b"\n".join(pieces)
    frame = parse(rest, form, quote='"')
    if frame is None or frame.height != is_row.sum():
        return _text_frame(_cut_slowly(rest, form), form)
    return frame


def _lines(text: bytes, start: int, past: int, delimiter: str) -> tuple[Longs, Longs]:
    """Return where each line begins (and the next after the last would), and its fields."""
    bounds: list[Longs] = [np.array([start])]
    fields: list[Longs] = []
    while start < past:
        end = text.find(b"\n", start + _BLOCK_BYTES, past)
        end = past if end < 0 else end
        begins, counts = _fields(np.frombuffer(text, np.uint8, end - start, start), delimiter)
        bounds.append(begins[1:] + start)
        fields.append(counts)
        start = end + 1
    return np.concatenate(bounds), np.concatenate(fields)


def _fields(codes: npt.NDArray[np.uint8], delimiter: str) -> tuple[Longs, Longs]:
    """Return where each line begins (and the next would), and its fields (-1: open quote)."""
    quotes = np.flatnonzero(codes == _QUOTE)
    if not len(quotes):
        marks = np.flatnonzero((codes == ord(delimiter)) | (codes == _NEWLINE))
        lasts = np.append(np.flatnonzero(codes[marks] == _NEWLINE), len(marks))
        return np.append(0, np.append(marks, len(codes))[lasts] + 1), np.diff(lasts, prepend=-1)
    ends = np.append(np.flatnonzero(codes == _NEWLINE), len(codes))
    bounds = np.append(0, ends + 1)
    cuts = np.flatnonzero(codes == ord(delimiter))
    before = np.searchsorted(quotes, bounds)  # quotes before each line
    line_of_cut = np.searchsorted(ends, cuts)
    cuts = cuts[(np.searchsorted(quotes, cuts) - before[line_of_cut]) % 2 == 0]
    fields = np.diff(np.searchsorted(cuts, ends), prepend=0) + 1
    fields[np.diff(before) % 2 == 1] = -1
    return bounds, fields


def _reason(fields: int, width: int, delimiter: str) -> str:
    if fields > width:
        return more_fields(str(fields), width, delimiter)
    return OPEN_QUOTE if fields < 0 else f"the line has {fields} fields instead of {width}"


def more_fields(fields: str, width: int, delimiter: str) -> str:
    """Return why a row is set aside that has more fields than there are columns."""
    cause = MORE_FIELDS if delimiter == "," else ""
    return f"the line has {fields} fields instead of {width}{cause}"


def _text_frame(rows: Sequence[Sequence[str]], form: TextForm) -> pl.DataFrame:
    schema = {column(place): pl.String for place in range(len(form.head.names))}
    return pl.DataFrame(rows, schema=schema, orient="row").with_columns(form.parsed)


def _cut_slowly(text: bytes, form: TextForm) -> list[list[str]]:
    """Cut lines one by one: for quotes in odd places, which the quick parser refuses."""
    width, rows = len(form.head.names), []
    for line in text.decode().split("\n"):
        row = cut_line(line.rstrip("\r"), form.head.delimiter)
        if len(row) != width:
            raise ExportError(
                f"{form.file}: the line {shown(line, 60)} cannot be cut into {width} fields; "
                "export the file with a quote only around whole fields."
            )
        rows.append(row)
    return rows
