"""What only the whole of an export settles, found in a first pass over its tables.

That is the order of day and month, the decimal sign and the numbering of qualities; each is then
said in the layout, so that every table of the export is read alike.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.cells.numbers import plain_points, settled_decimal
from rowcall.take_in.cells.overrides import shown
from rowcall.take_in.cells.quality_codes import settled
from rowcall.take_in.cells.timestamps import DATE_CELL, settle_order
from rowcall.take_in.read.cell_table import Table, column
from rowcall.take_in.sniff.layout import Layout

_MOST_QUALITIES = 10_000  # different texts; a hundred would be many. Chosen.


@dataclass(frozen=True, slots=True)
class Settled:
    """A layout with nothing left open, and the decimal sign."""

    layout: Layout
    decimal: str


@dataclass(slots=True)
class _Seen:
    """Different texts of the columns looked at, in the order in which they came."""

    dates: dict[str, None] = field(default_factory=dict)
    values: dict[str, str] = field(default_factory=dict)  # by shape
    point: list[str] = field(default_factory=list)  # a number with a decimal point
    qualities: dict[str, None] = field(default_factory=dict)


def survey(
    file: str, layout: Layout, decimal: str | None, tables: Callable[[], Iterator[Table]]
) -> Settled:
    """Settle what the whole export settles; `decimal` is the site file's word.

    Raises:
        ExportError: the export leaves it open, or contradicts the site file.
    """
    seen, names = _Seen(), next(tables()).names
    if layout.form.order_open or decimal is None or layout.quality:
        for table in tables():
            _look(file, table, layout, decimal is None, seen)
    place = f"{file}, column {shown(names[layout.time])}"
    form = settle_order(pl.Series(list(seen.dates), dtype=pl.String), layout.form, place)
    coding = layout.coding
    if seen.qualities:
        named = f"{file}, column {shown(names[next(iter(layout.quality.values()))])}"
        coding = settled(coding, list(seen.qualities), named)
    return Settled(
        replace(layout, form=form, coding=coding),
        decimal or _decimal(file, [*seen.point, *seen.values.values()]),
    )


def _look(file: str, table: Table, layout: Layout, is_decimal_open: bool, seen: _Seen) -> None:
    if layout.form.order_open:
        dates = layout.time_cells(table.frame).cast(pl.String).str.strip_chars_start()
        first = [] if seen.dates else dates.head(1).to_list()  # whole, for messages
        seen.dates |= dict.fromkeys([*first, *_different(dates.str.head(DATE_CELL))])
    for place in layout.quality.values():
        seen.qualities |= dict.fromkeys(_different(table.frame[column(place)].cast(pl.String)))
        if len(seen.qualities) > _MOST_QUALITIES:
            raise ExportError(
                f"{file}: the quality column {shown(table.names[place])} holds more than "
                f"{_MOST_QUALITIES:,} different texts; give take_in.quality_column in the site "
                "file."
            )
    if is_decimal_open:
        for place in layout.values:
            _look_at_values(table.frame[column(place)], seen)


def _look_at_values(cells: pl.Series, seen: _Seen) -> None:
    """Keep one cell of each shape that may tell the decimal sign from that of thousands."""
    if cells.dtype != pl.String:
        return
    if not seen.point:
        seen.point += plain_points(cells)
    odd = cells.filter(cells.str.contains(r",|\..*\.").fill_null(False)).str.strip_chars()
    # How often a digit stands where is all that counts, and whether the number begins with 0.
    shapes = odd.str.replace_all(r"\d", "1").str.replace(r"^([+-]?)1", "${1}2")
    shapes = pl.select(
        pl.when(odd.str.contains(r"^[+-]?0"))
        .then(odd.str.replace_all(r"[1-9]", "0"))
        .otherwise(shapes)
    ).to_series()
    pairs = pl.DataFrame({"shape": shapes, "cell": odd}).unique("shape", maintain_order=True)
    for shape, cell in pairs.iter_rows():
        if len(seen.values) < _MOST_QUALITIES:
            seen.values.setdefault(shape, cell)


def _decimal(file: str, cells: Iterable[str]) -> str:
    column = pl.Series(list(cells), dtype=pl.String)
    return settled_decimal([column], [column.cast(pl.Float64, strict=False)], file)


def _different(cells: pl.Series) -> Sequence[str]:
    return cells.fill_null("").unique(maintain_order=True).to_list()
