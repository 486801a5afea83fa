"""The times and values of a table, read from text or, where they are typed, looked at closer."""

from __future__ import annotations

import numpy as np
import polars as pl

from rowcall.take_in.layout import Layout
from rowcall.take_in.table import Table, column
from rowcall.take_in.times import Parsed, parse_times
from rowcall.take_in.values import Values, values_of


def read_times(table: Table, layout: Layout) -> Parsed:
    """Return the column of times, as `parse_times` does."""
    name = column(layout.time)
    time = table.frame[name]
    if table.source is None or time.dtype == pl.String:
        return parse_times(layout.time_cells(table.frame), layout.form)
    rows = time.is_null().arg_true()
    if len(rows):
        texts = table.source.cells(rows.to_numpy())[name]
        time = time.scatter(rows, parse_times(texts, layout.form).time)
    return Parsed(time, layout.form.has_offset)


def read_values(file: str, table: Table, layout: Layout, decimal: str | None) -> list[Values]:
    """Return the value columns, as `values_of` does.

    Raises:
        ExportError: the columns leave open which decimal sign the file uses.
    """
    cells = [table.frame[column(place)] for place in layout.values]
    if table.source is None:
        return values_of(cells, decimal, file, layout.bad_values)
    (number,), (place,) = cells, layout.values
    kind = np.zeros(len(number), np.uint8)
    rows = number.is_null().arg_true().to_numpy()
    if not len(rows):
        return [Values(number.to_numpy(), kind)]
    texts = table.source.cells(rows)[column(place)]
    # With a plain number beside them, as in the file: a column without any may be read otherwise.
    beside = pl.concat([texts, pl.Series(texts.name, ["0"])])
    (told,) = values_of([beside], ".", file, layout.bad_values)
    value = number.to_numpy().copy()
    value[rows], kind[rows] = told.number[:-1], told.kind[:-1]
    return [Values(value, kind)]
