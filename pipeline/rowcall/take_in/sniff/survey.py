"""What only the whole of an export settles, found while its tables go by.

That is the order of day and month, the decimal sign, the numbering of qualities and the column that
names the equipment; each is then said in the layout, so that every table of the export is read
alike.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TypeVar

import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.cells.numbers import plain_points, settled_decimal
from rowcall.take_in.cells.overrides import edit, listed, shown
from rowcall.take_in.cells.quality_codes import Coding, has_odd_number, settled
from rowcall.take_in.cells.time_formats import TimeForm, swapped
from rowcall.take_in.cells.timestamps import DATE_CELL, Order, order_of
from rowcall.take_in.read.cell_table import Table, column
from rowcall.take_in.sniff.cut_numbers import may_be_cut
from rowcall.take_in.sniff.equipment import SameInstants
from rowcall.take_in.sniff.layout import Layout

T = TypeVar("T")

_MAX_TEXTS = 10_000  # different texts of qualities, or shapes of numbers; a hundred would be many


class Survey:
    """The different texts that settle what a layout leaves open, of all tables so far."""

    def __init__(self, file: str, names: Sequence[str], layout: Layout) -> None:
        self._file, self._names, self._layout = file, names, layout
        self._dates: dict[str, None] = {}
        self._values: dict[str, str] = {}  # by shape
        self._point: list[str] = []  # a number with a decimal point
        self._qualities: dict[str, None] = {}
        self._cut_qualities: dict[str, None] = {}  # of rows that a decimal comma may have cut
        self._percents: set[int] = set()  # columns that hold a percentage
        self._plain: set[int] = set()  # columns that hold a plain number
        self._same_instants = SameInstants(layout.maybe_equipment)

    def look(self, table: Table) -> None:
        """Look at a table.

        Raises:
            ExportError: a column taken for qualities holds anything.
        """
        layout = self._layout
        if layout.form.order_open:
            dates = layout.time_cells(table.frame).cast(pl.String).str.strip_chars_start()
            first = [] if self._dates else dates.head(1).to_list()  # whole, for messages
            different = _different(dates.str.head(DATE_CELL))
            self._dates |= dict.fromkeys([*first, *different])
        self._same_instants.look(layout.time_cells(table.frame), table.frame)
        for value, place in layout.quality.items():
            cells, is_cut = table.frame[column(place)], may_be_cut(table, value, place)
            if is_cut is not None:
                self._cut_qualities |= dict.fromkeys(_different(cells.filter(is_cut)))
                cells = cells.filter(~is_cut)
            self._qualities |= dict.fromkeys(_different(cells))
            if len(self._qualities) > _MAX_TEXTS:
                raise ExportError(
                    f"{self._file}: the quality column {shown(table.names[place])} holds more than "
                    f"{_MAX_TEXTS:,} different texts; give take_in.quality_column in the site "
                    "file."
                )
        for place in layout.values:
            cells = table.frame[column(place)]
            if cells.dtype == pl.String:
                self._look_at_values(place, cells, table.number(place))

    def settled(self) -> Layout:
        """Return a layout with nothing left open.

        Raises:
            ExportError: the export leaves something open, or contradicts the site file.
        """
        return replace(
            self._layout,
            form=self._form(),
            coding=self._coding(),
            decimal=self._decimal(),
            percents=frozenset(self._percents - self._plain),
            cut_quality=self._is_quality_cut(),
        ).of_equipment(self._equipment())

    def likely(self) -> tuple[Layout, tuple[str, ...]]:
        """Return the likelier layout, and by their names in it the parts that are still open."""
        layout = self._layout
        form = _or_none(self._form)
        coding, decimal = _or_none(self._coding), _or_none(self._decimal)
        found = replace(
            layout,
            form=form or replace(layout.form, order_open=False),
            coding=coding or layout.coding,
            decimal=decimal or ",",
            percents=frozenset(self._percents - self._plain),
            cut_quality=self._is_quality_cut(),
        )
        equipment, is_sure = self._same_instants.named_by()
        parts = {"form": form, "coding": coding, "decimal": decimal}
        still_open = [name for name, part in parts.items() if part is None]
        still_open += ["equipment"] if equipment and not is_sure else []
        return found.of_equipment(next(iter(equipment), None)), tuple(still_open)

    def order(self) -> Order | None:
        """Return the order of day and month, None where the form says it; raises as `settled`."""
        form, name = self._layout.form, self._names[self._layout.time]
        if not form.order_open:
            return None
        dates = pl.Series(list(self._dates), dtype=pl.String)
        return order_of(dates, form, f"{self._file}, column {shown(name)}")

    def _form(self) -> TimeForm:
        form, order = self._layout.form, self.order()
        if order is None:
            return form
        return replace(form if order.day_first else swapped(form), order_open=False)

    def _is_quality_cut(self) -> bool:
        """True where numbers of no numbering stand only where a decimal comma may have cut."""
        words = self._layout.coding.words
        return has_odd_number(self._cut_qualities, words) and not has_odd_number(
            self._qualities, words
        )

    def _coding(self) -> Coding:
        layout = self._layout
        if not layout.quality:
            return layout.coding
        name = self._names[next(iter(layout.quality.values()))]
        cut = {} if self._is_quality_cut() else self._cut_qualities
        return settled(layout.coding, self._qualities | cut, f"{self._file}, column {shown(name)}")

    def _equipment(self) -> int | None:
        found, is_sure = self._same_instants.named_by()
        if found and not is_sure:
            names = [self._names[place] for place in found]
            raise ExportError(
                f"{self._file}: instants come again, and of the columns {listed(names)} one may "
                "name the equipment of each row; if so, name it in the site file, such as "
                f"{edit('equipment_column', names[0])}; if none does, "
                f"{edit('equipment_column', '')}."
            )
        return next(iter(found), None)

    def _decimal(self) -> str:
        if self._layout.decimal is not None:
            return self._layout.decimal
        if not self._values:  # nothing is written otherwise than as a plain number
            return "."
        cells = pl.Series([*self._point, *self._values.values()], dtype=pl.String)
        return settled_decimal(cells, self._file)

    def _look_at_values(self, place: int, cells: pl.Series, numbers: pl.Series) -> None:
        if self._layout.decimal is None and not self._point:
            self._point += plain_points(cells)
        if numbers.null_count() < len(cells):
            self._plain.add(place)
        if not numbers.null_count():
            return
        cells = cells.filter(numbers.is_null())
        if place not in self._percents and cells.str.contains("%", literal=True).any():
            self._percents.add(place)
        if place not in self._plain:
            by_comma = cells.str.replace(",", ".", literal=True).str.strip_chars()
            if by_comma.cast(pl.Float64, strict=False).is_not_null().any():
                self._plain.add(place)
        if self._layout.decimal is None:
            self._keep_shapes(cells)

    def _keep_shapes(self, cells: pl.Series) -> None:
        """Keep one cell of each shape that may tell the decimal sign from that of thousands."""
        odd = cells.filter(cells.str.contains(r",|\..*\.").fill_null(False)).str.strip_chars()
        if not len(odd):
            return
        # How often a digit stands where is all that counts, and whether the number begins with 0.
        shapes = odd.str.replace_all(r"\d", "1").str.replace(r"^([+-]?)1", "${1}2")
        shapes = pl.select(
            pl.when(odd.str.contains(r"^[+-]?0"))
            .then(odd.str.replace_all(r"[1-9]", "0"))
            .otherwise(shapes)
        ).to_series()
        pairs = pl.DataFrame({"shape": shapes, "cell": odd}).unique("shape", maintain_order=True)
        for shape, cell in pairs.iter_rows():
            if len(self._values) < _MAX_TEXTS:
                self._values.setdefault(shape, cell)


def _or_none(step: Callable[[], T]) -> T | None:
    try:
        return step()
    except ExportError:
        return None


def _different(cells: pl.Series) -> Sequence[str]:
    """Return the different cells as text, in the order in which they come."""
    return cells.unique(maintain_order=True).cast(pl.String).fill_null("").to_list()
