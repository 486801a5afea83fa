"""The one pass in which the lines of a long text export become typed columns.

It is begun before numpy and what works with it are loaded, so nothing here may need them.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from rowcall.take_in.read.cell_table import column
from rowcall.take_in.read.parsing import parse
from rowcall.take_in.sniff.damaged_bytes import MARK
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.preamble import Head

DOUBT = "doubt"  # the column that tells of lines that need a closer look
_FRACTIONS = ("", ".%3f", ".%6f")  # of a second; the engine is quick where the digits are fixed


@dataclass(frozen=True, slots=True)
class TypedScan:
    """How the lines of a text become the columns that its layout names, and `DOUBT`."""

    head: Head
    wanted: tuple[pl.Expr, ...]

    def __call__(self, text: bytes, skip: int) -> pl.DataFrame | None:
        """Return the columns but of the first `skip` lines; None where lines cannot be cut."""
        width = len(self.head.names) + 1
        return parse(text, self.head.delimiter, width, skip, ragged=True, wanted=self.wanted)


def typed_scan(head: Head, layout: Layout, decimal: str | None) -> TypedScan | None:
    """Return how to read a text to typed columns, None where only the road over text can.

    That is any but a long layout, most of whose first values can be read as they are.
    """
    if layout.tag is None or decimal == "," or head.foreign:
        return None
    (place,) = layout.values
    cells = pl.Series([row[place] for row in head.sample], dtype=pl.String)
    if 2 * cells.cast(pl.Float64, strict=False).null_count() >= len(cells):
        return None
    return TypedScan(head, tuple(_wanted(layout, head)))


def is_plain(text: bytes, start: int) -> bool:
    """True for text without what, from `start` on, only the road over text can cut."""
    return text.find(b'"', start) < 0 and (text.isascii() or MARK.encode() not in text)


def _wanted(layout: Layout, head: Head) -> list[pl.Expr]:
    """Return the columns, and whether a line is in doubt.

    It is where its time or value is not plainly written, or the line may have too few or too many
    fields: the parser fills lines that are too short with empty fields and cuts those that are too
    long after the one column more that it is asked for.
    """
    texts = [layout.tag or 0, *layout.quality.values()]
    (place,), width = layout.values, len(head.names)
    value = pl.col(column(place)).cast(pl.Float64, strict=False)
    too_short, too_long = pl.col(column(width - 1)) == "", pl.col(column(width)) != ""
    times, no_time = _times(layout, head)
    return [
        *(pl.col(column(text)).cast(pl.Categorical) for text in texts),
        *times,
        value,
        (too_short | too_long | value.is_null() | no_time).alias(DOUBT),
    ]


def _times(layout: Layout, head: Head) -> tuple[list[pl.Expr], pl.Expr]:
    """Return the times as instants where a quick pattern fits, else as text; and where none is.

    Quick are patterns of fixed width. They read less than the one of the layout, and nothing
    otherwise. Any other is quicker over the whole column, where each different text is read once.
    """
    texts = [pl.col(column(place)) for place in layout.time_places]
    if layout.clock is None:
        cells = pl.Series([row[layout.time] for row in head.sample], dtype=pl.String)
        for fraction in _FRACTIONS:
            pattern = layout.form.pattern.replace("%.f", fraction).replace("%#z", "Z")
            if pattern and _fits(pattern, cells):
                time = texts[0].str.to_datetime(
                    pattern, strict=False, time_unit="us", ambiguous="null"
                )
                zone = "UTC" if layout.form.has_offset else None
                return [time.dt.replace_time_zone(zone)], time.is_null()
    # No time that is written in figures sorts behind them.
    return texts, (texts[0] > ":") | (texts[0] == "")


def _fits(pattern: str, cells: pl.Series) -> bool:
    try:
        read = cells.str.to_datetime(pattern, strict=False, time_unit="us", ambiguous="null")
    except pl.exceptions.PolarsError:  # the road over text tells of a pattern that is of no use
        return False
    return not read.null_count()
