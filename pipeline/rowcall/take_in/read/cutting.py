"""A block of text to a table of cells; nothing that is imported at the top may need numpy."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from rowcall.take_in.read.cell_table import NOTHING_ASIDE, Table, column
from rowcall.take_in.read.parsing import TextForm, parse
from rowcall.take_in.sniff.preamble import Head


@dataclass(frozen=True, slots=True)
class Cut:
    """A block of whole lines, cut into cells; there is no table of a blank one."""

    text: bytes
    table: Table | None


def cut(text: bytes, form: TextForm, data_line: int) -> Cut:
    """Cut a block of text; its data begins on the 1-based `data_line`.

    Raises:
        ExportError: it cannot be cut into fields.
    """
    if not text or text.isspace():
        return Cut(text, None)
    head = form.head
    start, end = _data_bounds(text, data_line)
    quote = '"' if text.find(b'"', start) >= 0 else None
    frame = parse(text, form, data_line - 1, quote=quote)
    if frame is not None and _is_whole(frame, text, start, end, head, quote):
        return Cut(text, Table(head.names, frame, data_line, None, NOTHING_ASIDE, head.delimiter))
    from rowcall.take_in.read.text_cells import read_irregular

    return Cut(text, read_irregular(text, start, end, form, data_line, None if quote else frame))


def _data_bounds(text: bytes, data_line: int) -> tuple[int, int]:
    """Return where the data begins, and where it ends but for line ends at the very end."""
    start, end = 0, len(text)
    for _ in range(data_line - 1):
        start = text.index(b"\n", start) + 1
    while end > start and text[end - 1] in b"\r\n":
        end -= 1
    return start, end


def _is_whole(
    frame: pl.DataFrame, text: bytes, start: int, end: int, head: Head, quote: str | None
) -> bool:
    """True where every line gave one row with all of its fields.

    The parser fills lines with too few fields, and a filled one has an empty last field; so where
    there is none the delimiters come out right only if no line has too many, which it cuts short.
    It refuses such lines where there are quotes. With these a row may also span lines, and then
    there are fewer rows than lines.
    """
    import numpy as np  # by now it was loaded beside the cutting

    last = len(head.names) - 1
    if (frame[column(last)] == "").any():
        return False
    if quote is not None:
        return frame.height == text.count(b"\n", start, end) + 1
    codes = np.frombuffer(text, np.uint8, end - start, start)
    return int(np.count_nonzero(codes == ord(head.delimiter))) == frame.height * last
