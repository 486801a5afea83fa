"""The tables of a text export, without the lines that are damaged or of another export.

Exports put together in one file have their headers within the data. Below a header of other columns
the cells are of other tags, so nothing there is stored until the first header comes again.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.take_in.cells.overrides import plain
from rowcall.take_in.read.cell_table import Table, column, set_aside, shifted
from rowcall.take_in.read.cutting import Cut
from rowcall.take_in.read.last_line import is_cut_off
from rowcall.take_in.read.text_cells import more_fields
from rowcall.take_in.sniff.column_words import TIME_WORDS
from rowcall.take_in.sniff.damaged_bytes import MARK, ZERO_MARK
from rowcall.take_in.sniff.delimiter import HEAD_LINES
from rowcall.take_in.sniff.preamble import Head

DAMAGED = "the line holds bytes that are not UTF-8"
HEADER_AGAIN = "the line with the column names again"
OTHER_HEADER = "a second line of column names, and other ones"
BELOW_OTHER = "the line stands below a second line of column names, and other ones"
ABOVE_DATA = "the line stands above the data and is written in another form"
CUT_OFF = "the file ends here without a line end, so the last number may be cut off"

ZEROS = "the line holds zero bytes, as where power failed while it was written"
_MARKS = {MARK: DAMAGED, ZERO_MARK: ZEROS}
_REPLACEMENT = "\ufffd"
Rows = npt.NDArray[np.int64]


def text_tables(cuts: Iterable[Cut], head: Head, time: int, tag: int | None) -> Iterator[Table]:
    """Return the rows of a text export, a table a block of whole lines.

    Args:
        cuts: the text, cut block by block; its data begins in the first block.
        head: what the first lines say.
        time: the place of the time column; `tag` that of the tag by which the cells of
            the last column differ, None where they do not.

    Raises:
        ExportError: the text cannot be cut into fields.
    """
    headers, lines = _Headers(head.names, time), 0
    for cut in cuts:
        block = cut.text
        if cut.table is not None:
            table = _unnamed_aside(shifted(cut.table, lines), head)
            if not block.endswith((b"\n", b'"')):  # the end of the file
                table = _cut_off_aside(table, lines + block.count(b"\n") + 1, head, tag)
            above = [] if lines else _above(block, head)
            marks = [] if block.isascii() else [mark for mark in _MARKS if mark.encode() in block]
            yield _marked_aside(headers.without(table), marks, above)
        lines += int(np.count_nonzero(np.frombuffer(block, np.uint8) == ord("\n")))


class _Headers:
    """Takes lines of column names out of tables, and what stands below other columns."""

    def __init__(self, names: tuple[str, ...], time: int) -> None:
        self._names, self._time = names, time
        self._is_below = False

    def without(self, table: Table) -> Table:
        """Return the next table of the export without them."""
        rows = self._found(table)
        if not len(rows) and not self._is_below:
            return table
        codes = np.zeros(table.frame.height, np.uint8)
        reasons = ("", HEADER_AGAIN, OTHER_HEADER, BELOW_OTHER)
        first = 0
        for row in [*rows.tolist(), table.frame.height]:
            codes[first:row] = reasons.index(BELOW_OTHER) if self._is_below else 0
            if row < table.frame.height:
                cells = [str(cell or "").strip() for cell in table.cells.row(row)]
                self._is_below = tuple(cells) != self._names
                codes[row] = reasons.index(OTHER_HEADER if self._is_below else HEADER_AGAIN)
            first = row + 1
        return _without(table, np.flatnonzero(codes), [reasons[code] for code in codes[codes > 0]])

    def _found(self, table: Table) -> Rows:
        """Return the rows that name columns: by a word for the time, or a name without numbers."""
        rows: Rows = np.arange(table.frame.height)
        if table.times is not None:
            if not table.times.null_count():
                return rows[:0]
            rows = np.flatnonzero(table.times.is_null().to_numpy())
        times = table.frame[column(self._time)][rows]
        # No time that is written in figures sorts behind them, so this leaves next to nothing.
        rows = rows[((times > ":") | (times == "")).fill_null(False).to_numpy()]
        if not len(rows):
            return rows
        words = TIME_WORDS | {plain(self._names[self._time])} - {""}
        picked = table.cells[rows].select(pl.all().cast(pl.String).str.strip_chars())
        named = picked.select(
            pl.any_horizontal(pl.all().is_in([name for name in self._names if name]))
            & pl.all_horizontal(pl.all().cast(pl.Float64, strict=False).is_null())
        ).to_series()
        by_word = [plain(text or "") in words for text in picked[column(self._time)].to_list()]
        found: Rows = rows[named.to_numpy() | np.array(by_word)]
        return found


def _without(table: Table, rows: Rows, reasons: list[str]) -> Table:
    """Return a table without some rows, which are set aside."""
    kept = np.delete(np.arange(table.frame.height), rows)
    out = set_aside(table.line_of(rows), "", table.shown(rows, range(len(table.names))), reasons)
    return replace(
        table,
        frame=table.frame[kept],
        lines=table.line_of(kept),
        set_aside=pl.concat([table.set_aside, out]),
    )


def _unnamed_aside(table: Table, head: Head) -> Table:
    """Set aside the rows that hold something behind the last column that has a name."""
    past = max(place for place, name in enumerate(table.names) if name) + 1
    if past == len(table.names):
        return table
    behind = [pl.col(column(place)) for place in range(past, len(table.names))]
    filled = table.frame.select(
        pl.any_horizontal(cells.str.strip_chars().fill_null("") != "" for cells in behind)
    ).to_series()
    rows = np.flatnonzero(filled.to_numpy())
    reason = more_fields("more", past, head.delimiter)
    return _without(table, rows, [reason] * len(rows)) if len(rows) else table


def _cut_off_aside(table: Table, last_line: int, head: Head, tag: int | None) -> Table:
    """Set the last line of the file aside where a number at its end may be cut off."""
    row = table.frame.height - 1
    if row < 0 or table.line_of(np.array([row]))[0] != last_line:
        return table
    cells = [str(cell or "") for cell in table.cells.row(row)]
    above = head.sample[:-1] if last_line <= HEAD_LINES else head.sample
    own = [other for other in above if tag is None or other[tag].strip() == cells[tag].strip()]
    if not is_cut_off(cells[-1], [other[-1] for other in own or above]):
        return table
    return _without(table, np.array([row]), [CUT_OFF])


def _marked_aside(table: Table, marks: list[str], above: list[pl.DataFrame]) -> Table:
    """Set aside the rows with damaged bytes, and add what was set aside above the data."""
    for mark in marks:
        marked = pl.all().cast(pl.String).str.contains(mark, literal=True).fill_null(False)
        rows = np.flatnonzero(table.cells.select(pl.any_horizontal(marked)).to_series().to_numpy())
        table = _without(table, rows, [_MARKS[mark]] * len(rows)) if len(rows) else table
    if not marks and not above:
        return table
    raw = pl.col("raw").str.replace_all(f"[{''.join(_MARKS)}]+", _REPLACEMENT)
    return replace(table, set_aside=pl.concat([*above, table.set_aside]).with_columns(raw))


def _above(text: bytes, head: Head) -> list[pl.DataFrame]:
    """Return the lines above the data that hold rows in another form, as set aside."""
    if not head.foreign:
        return []
    lines = text.split(b"\n", head.data_line)
    raw = [lines[number - 1].decode().rstrip("\r") for number in head.foreign]
    return [set_aside(head.foreign, "", raw, ABOVE_DATA)]
