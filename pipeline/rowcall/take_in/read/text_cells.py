"""The lines of a text export as a frame of text cells, each with its true line number.

A field never spans lines: a line whose quotes do not pair up is set aside alone, instead of
swallowing what follows. So a row is a line, and every row's line number is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.read.cell_table import Table, column, set_aside
from rowcall.take_in.read.parsing import Cut, data_bounds, parse
from rowcall.take_in.sniff.delimiter import cut_line
from rowcall.take_in.sniff.preamble import Head

_BLOCK_BYTES = 500_000  # counted at a time: what fits a processor's cache
_FEW = 2_000  # pieces, beyond which copying is quicker
_NEWLINE, _QUOTE = ord("\n"), ord('"')
OPEN_QUOTE = "a quote on this line is not closed"

Longs = npt.NDArray[np.int64]


def read_lines(file: str, cut: Cut, head: Head) -> Table:
    """Return the data lines of a block of text; blank lines are passed over.

    Raises:
        ExportError: the text cannot be cut into fields.
    """
    text, frame, quote = cut.text, cut.frame, cut.quote
    start, end = data_bounds(text, cut.data_line)
    if frame is not None and _is_whole(frame, text, start, end, head.delimiter, quote):
        nothing = set_aside([], [], [], [])
        return Table(head.names, frame, cut.data_line, None, nothing, head.delimiter)
    own = replace(head, data_line=cut.data_line)
    return _read_irregular(file, text, start, end, own)


def _is_whole(
    frame: pl.DataFrame, text: bytes, start: int, end: int, delimiter: str, quote: str | None
) -> bool:
    """True where every line gave one row with all of its fields.

    The parser refuses lines with too many fields, but fills those with too few. A filled row has
    an empty last field, so only where there is one must the delimiters be counted, which quoted
    ones would upset. With quotes a row may span lines, and then there are fewer rows than lines.
    """
    is_filled = not (frame.to_series(frame.width - 1) == "").any()
    if is_filled and quote is None:
        return True
    lines = text.count(b"\n", start, end) + 1
    if frame.height != lines or quote is not None:
        return is_filled and frame.height == lines
    return text.count(delimiter.encode(), start, end) == lines * (frame.width - 1)


def _read_irregular(file: str, text: bytes, start: int, past: int, head: Head) -> Table:
    """Take the lines apart that are no rows, and cut the others into cells."""
    width, skip = len(head.names), head.data_line - 1
    with ThreadPoolExecutor(max_workers=1) as pool:
        # Without quotes the parser gives a row a line, whatever the line holds; it runs beside
        # the counting of the fields.
        parsing = None
        if text.find(b'"', start) < 0:
            parsing = pool.submit(parse, text, head.delimiter, width, skip, ragged=True)
        bounds, fields = _lines(text, start, past, head.delimiter)
        frame = None if parsing is None else parsing.result()
    is_row = fields == width
    if frame is not None and frame.height >= len(fields):
        frame = _without_rows(frame.head(len(fields)), is_row)
    else:
        frame = _parse_rows(file, text, bounds, is_row, head)
    odd = np.flatnonzero(~is_row)
    raw = [text[bounds[place] : bounds[place + 1] - 1].decode() for place in odd]
    out = _odd_lines(odd + head.data_line, raw, fields[odd], width)
    lines = np.flatnonzero(is_row) + head.data_line
    return Table(head.names, frame, head.data_line, lines, out, head.delimiter)


def _odd_lines(lines: Longs, raw: Sequence[str], fields: Longs, width: int) -> pl.DataFrame:
    """Set lines aside that have another number of fields than `width`, but for blank ones.

    Args:
        lines: their numbers from 1.
        raw: their texts.
        fields: how many each has; -1 where a quote is not closed.
        width: how many there should be.
    """
    kept = [at for at, line in enumerate(raw) if fields[at] != width and line.strip()]
    return set_aside(
        lines[kept],
        "",
        [raw[at].rstrip("\r") for at in kept],
        [_reason(int(fields[at]), width) for at in kept],
    )


def _without_rows(frame: pl.DataFrame, is_row: npt.NDArray[np.bool_]) -> pl.DataFrame:
    """Return the rows of the mask; where few are missing, without copying the others."""
    odd = np.flatnonzero(~is_row)
    if len(odd) > _FEW:
        return frame.filter(pl.Series(is_row))
    firsts, pasts = np.append(0, odd + 1).tolist(), np.append(odd, frame.height).tolist()
    pieces = [frame[a:b] for a, b in zip(firsts, pasts, strict=True) if b > a]
    return pl.concat(pieces, rechunk=False) if pieces else frame.clear()


def _parse_rows(
    file: str, text: bytes, bounds: Longs, is_row: npt.NDArray[np.bool_], head: Head
) -> pl.DataFrame:
    """Cut the lines that are rows into cells, where fields may be quoted."""
    odd = np.flatnonzero(~is_row)
    first, past = np.append(bounds[0], bounds[odd + 1]), np.append(bounds[odd], bounds[-1]) - 1
    pieces = [text[a:b] for a, b in zip(first.tolist(), past.tolist(), strict=True) if b > a]
    if not pieces:
        return _empty(len(head.names))
    rest = b"\n".join(pieces)
    frame = parse(rest, head.delimiter, len(head.names), quote='"')
    if frame is None or frame.height != is_row.sum():
        return _parse_slowly(file, rest, head)
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


def _reason(fields: int, width: int) -> str:
    return OPEN_QUOTE if fields < 0 else f"the line has {fields} fields instead of {width}"


def _empty(width: int) -> pl.DataFrame:
    return pl.DataFrame(schema={column(place): pl.String for place in range(width)})


def _parse_slowly(file: str, text: bytes, head: Head) -> pl.DataFrame:
    """Cut lines one by one: for quotes in odd places, which the quick parser refuses."""
    width = len(head.names)
    rows = []
    for line in text.decode().split("\n"):
        row = cut_line(line.rstrip("\r"), head.delimiter)
        if len(row) != width:
            raise ExportError(
                f"{file}: the line {shown(line, 60)} cannot be cut into {width} fields; "
                "export the file with a quote only around whole fields."
            )
        rows.append(row)
    return pl.DataFrame(rows, schema=_empty(width).schema, orient="row")
