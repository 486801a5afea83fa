"""Text to columns of cells, in one pass; nothing here may need numpy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from rowcall.take_in.cells.timestamps import quick_times
from rowcall.take_in.read.cell_table import TIME, column, number
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.preamble import Head


@dataclass(frozen=True, slots=True)
class TextForm:
    """What a text export is cut by.

    Attributes:
        file: its name, for messages.
        parsed: what is parsed beside the cutting, which takes a tenth of doing it afterwards.
    """

    file: str
    head: Head
    parsed: Sequence[pl.Expr]


def form_of(file: str, head: Head, layout: Layout) -> TextForm:
    """Return what a text export is cut by."""
    texts = [place for place in (layout.tag, *layout.quality.values()) if place is not None]
    parsed = [pl.col(column(place)).cast(pl.Categorical) for place in texts]
    parsed += [
        pl.col(column(place)).cast(pl.Float64, strict=False).alias(number(place))
        for place in layout.values
    ]
    if layout.form.pattern and not layout.form.order_open:
        sample = [" ".join(row[place] for place in layout.time_places) for row in head.sample]
        parsed.append(quick_times(layout.time_text(), layout.form, sample).alias(TIME))
    return TextForm(file, head, parsed)


def parse(
    text: bytes, form: TextForm, skip: int = 0, *, quote: str | None = None
) -> pl.DataFrame | None:
    """Cut text into cells; None where the parser finds lines that it cannot cut.

    Without quotes it gives a row a line, whatever the line holds: fields that are too many are left
    out, and lines with fewer filled up.

    Args:
        text: the whole text.
        skip: lines to be passed over.
        quote: what whole fields may stand in.
    """
    try:
        scanned = pl.scan_csv(
            text,
            has_header=False,
            skip_lines=skip,
            truncate_ragged_lines=quote is None,
            missing_columns="insert" if quote is None else "raise",
            separator=form.head.delimiter,
            quote_char=quote,
            schema={column(place): pl.String for place in range(len(form.head.names))},
            empty_string_is_null=False,
        )
        return scanned.with_columns(form.parsed).collect(engine="streaming")
    except pl.exceptions.PolarsError:
        return None
