"""The one pass in which the lines of a long text export become typed columns.

It is begun before numpy and what works with it are loaded, so nothing here may need them.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TypeAlias

import polars as pl

from rowcall.take_in.damage import MARK
from rowcall.take_in.head import Head
from rowcall.take_in.layout import Layout
from rowcall.take_in.parsing import data_bounds, parse
from rowcall.take_in.table import column

ODD = "odd"  # the column that tells of lines with too few or too many fields
_FRACTIONS = ("", ".%3f", ".%6f")  # of a second; the engine is quick where the digits are fixed

# Returns the columns of the layout and `ODD`, None where the parser finds what it cannot cut.
Scan: TypeAlias = Callable[[], pl.DataFrame | None]


def typed_scan(text: bytes, head: Head, layout: Layout, decimal: str | None) -> Scan | None:
    """Return how to read a text to typed columns, None where only the road over text can."""
    start, _ = data_bounds(text, head.data_line)
    if not _is_plain(layout, head, decimal) or text.find(b'"', start) >= 0:
        return None
    if head.foreign or (not text.isascii() and MARK.encode() in text):
        return None
    return partial(
        parse,
        text,
        head.delimiter,
        len(head.names) + 1,
        head.data_line - 1,
        ragged=True,
        wanted=_wanted(layout, head),
    )


def _is_plain(layout: Layout, head: Head, decimal: str | None) -> bool:
    """True for a long layout, where most of the first values can be read as they are."""
    if layout.tag is None or decimal == ",":
        return False
    (place,) = layout.values
    cells = pl.Series([row[place] for row in head.sample], dtype=pl.String)
    return 2 * cells.cast(pl.Float64, strict=False).null_count() < len(cells)


def _wanted(layout: Layout, head: Head) -> list[pl.Expr]:
    """Return the columns, and whether a line may have too few or too many fields.

    The parser fills lines that are too short with empty fields and cuts those that are too long
    after the one column more that it is asked for.
    """
    texts = [layout.tag or 0, *layout.quality.values()]
    (value,), width = layout.values, len(head.names)
    return [
        *(pl.col(column(place)).cast(pl.Categorical) for place in texts),
        *_times(layout, head),
        pl.col(column(value)).cast(pl.Float64, strict=False),
        ((pl.col(column(width - 1)) == "") | (pl.col(column(width)) != "")).alias(ODD),
    ]


def _times(layout: Layout, head: Head) -> list[pl.Expr]:
    """Return the times as microseconds where a quick pattern fits, else as text.

    Quick are patterns of fixed width. They read less than the one of the layout, and nothing
    otherwise. Any other is quicker over the whole column, where each different text is read once.
    """
    if layout.clock is None and not layout.form.order_open:
        cells = pl.Series([row[layout.time] for row in head.sample], dtype=pl.String)
        for fraction in _FRACTIONS:
            pattern = layout.form.pattern.replace("%.f", fraction).replace("%#z", "Z")
            if pattern and _fits(pattern, cells):
                instants = pl.col(column(layout.time)).str.to_datetime(
                    pattern, strict=False, time_unit="us", ambiguous="null"
                )
                return [instants.to_physical()]
    return [pl.col(column(place)) for place in layout.time_places]


def _fits(pattern: str, cells: pl.Series) -> bool:
    try:
        read = cells.str.to_datetime(pattern, strict=False, time_unit="us", ambiguous="null")
    except pl.exceptions.PolarsError:  # the road over text tells of a pattern that is of no use
        return False
    return not read.null_count()
