"""The lines of a long text export as typed columns, in one pass that keeps few cells as text.

Cutting, times, numbers, tags and qualities go through one streaming query, which takes less time
and half the memory of keeping every cell as text first. What is not plainly written is left empty,
and its text looked up by its line. Quotes, wide layouts, decimal commas and files with much that is
not plain take the road over text (`csv_table`).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.take_in.csv_table import odd_lines, without_rows
from rowcall.take_in.head import Head
from rowcall.take_in.layout import Layout
from rowcall.take_in.line_index import LineIndex
from rowcall.take_in.parsing import data_bounds, parse
from rowcall.take_in.table import Table, column
from rowcall.take_in.text_tables import name_columns
from rowcall.take_in.typed_scan import ODD, Scan, typed_scan
from rowcall.take_in.values import settled_decimal

_FEW = 2_000  # lines looked up one by one; beyond it, cutting all of the text is quicker

Longs = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class TextLines:
    """The text behind typed rows: row `i` stands on the line at the 0-based place `places[i]`.

    `places` is None where every line is a row.
    """

    index: LineIndex
    head: Head
    places: Longs | None

    def cells(self, rows: Longs) -> pl.DataFrame:
        """Return the cells of rows in any order as text, columns named as in a table's frame."""
        places = rows if self.places is None else self.places[rows]
        width = len(self.head.names)
        if len(places) > _FEW:
            head = self.head
            whole = parse(self.index.text, head.delimiter, width, head.data_line - 1, ragged=True)
            if whole is not None:
                return whole[places]
        wanted, again = np.unique(places, return_inverse=True)
        cut = [
            line.removesuffix("\r").split(self.head.delimiter) for line in self.index.lines(wanted)
        ]
        schema = {column(place): pl.String for place in range(width)}
        return pl.DataFrame(cut, schema=schema, orient="row")[again]


def read_typed(
    file: str,
    text: bytes,
    head: Head,
    layout: Layout,
    decimal: str | None,
    scan: Scan | None = None,
) -> Table | None:
    """Return the data lines as typed columns, None where only `read_lines` can read them.

    The frame holds the columns that the layout names: times as i64 microseconds in the form of the
    layout (or as text), values as f64, both null where the cell is not plainly written; tags and
    qualities as categories.

    Args:
        scan: brings what `typed_scan` returns for this text, where that was begun before.

    Raises:
        ExportError: the values leave open which decimal sign the file uses.
    """
    scan = scan or typed_scan(text, head, layout, decimal)
    if scan is None:
        return None
    start, end = data_bounds(text, head.data_line)
    with ThreadPoolExecutor(max_workers=1) as pool:
        counting = pool.submit(LineIndex.of, text, start, end, head.delimiter)
        frame = scan()
        index = counting.result()
    if frame is None or frame.height < index.count:
        return None
    frame = frame.head(index.count)
    odd = np.flatnonzero(frame[ODD].to_numpy())
    found = _rows(index, odd, head) if len(odd) <= _FEW else None
    if found is None:
        return None
    is_row, out = found
    lines = places = None
    if not is_row.all():
        places = np.flatnonzero(is_row)
        lines = places + head.data_line
        frame = without_rows(frame, is_row)
    names = [name for name in frame.columns if name != ODD]
    # In one piece each, so that the array made of it is a view and no copy.
    columns = pl.DataFrame([frame.drop_in_place(name).rechunk() for name in names])
    source = TextLines(index, head, places)
    table = Table(head.names, columns, head.data_line, lines, out, head.delimiter, source)
    if not _is_typed(file, table, layout, decimal) or _names_columns(table, layout):
        return None
    return table


def _rows(
    index: LineIndex, odd: Longs, head: Head
) -> tuple[npt.NDArray[np.bool_], pl.DataFrame] | None:
    """Return which lines are rows, and the others set aside; None where not all can be told.

    Lines that look whole are so if the delimiters of the file come out right: one with an empty
    field too many is the only kind that is not seen, and makes the sum too large.

    Args:
        odd: the places of lines that may have too few or too many fields.
    """
    raw, width = index.lines(odd), len(head.names)
    fields = np.array([line.count(head.delimiter) + 1 for line in raw], np.int64)
    whole = (index.count - len(odd)) * (width - 1)
    if index.delimiters != whole + int(fields.sum()) - len(odd):
        return None
    is_row = np.ones(index.count, np.bool_)
    is_row[odd[fields != width]] = False
    return is_row, odd_lines(odd + head.data_line, raw, fields, width)


def _names_columns(table: Table, layout: Layout) -> bool:
    """True where there is a line of column names within the data: the road over text knows them."""
    times = table.frame[column(layout.time)]
    if times.dtype == pl.String:
        # No time that is written in figures sorts behind them.
        rows = ((times > ":") | (times == "")).arg_true()
    else:
        rows = times.is_null().arg_true()
    if not len(rows) or table.source is None:
        return False
    cells = table.source.cells(rows.to_numpy().astype(np.int64))
    return bool(name_columns(cells, table.names, layout.time).any())


def _is_typed(file: str, table: Table, layout: Layout, decimal: str | None) -> bool:
    """True where few cells need a closer look, and these leave the decimal sign a point."""
    (place,) = layout.values
    value = table.frame[column(place)]
    times, values = table.frame[column(layout.time)].null_count(), value.null_count()
    if times + values > _FEW or values == len(value):
        return False
    if decimal is not None or not values or table.source is None:
        return True
    texts = table.source.cells(value.is_null().arg_true().to_numpy())[column(place)]
    return settled_decimal([texts], [texts.cast(pl.Float64, strict=False)], file) == "."
