"""What the columns of an export are: long or wide, and which column is what."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import polars as pl

from rowcall.site import TakeIn
from rowcall.take_in.cells.numbers import check_decimal
from rowcall.take_in.cells.quality_codes import Coding, check_quality
from rowcall.take_in.cells.time_formats import TimeForm
from rowcall.take_in.read.cell_table import column
from rowcall.take_in.sniff.columns import find_columns
from rowcall.take_in.sniff.equipment import likely_equipment
from rowcall.take_in.sniff.time_column import find_time_column


@dataclass(frozen=True, slots=True)
class Layout:
    """Places (0-based) of the columns of an export, and how their cells are read.

    Attributes:
        time: the time column, and `form` how it writes instants.
        tag: the tag column of the long layout, None in the wide one.
        values: the value columns and their tags; in the long layout one, with an empty tag.
        quality: for a value column, the column with its quality.
        clock: the column with the time of day, where `time` holds only the date.
        coding: how qualities are written.
        bad_values: words of the site file that stand in the place of a value, in lower case.
        decimal: the decimal sign, None where that is open.
        percents: value columns that hold percentages and not one plain number.
        tags: the tags that are stored, None where all are.
        equipment: the column of the wide layout that names the equipment whose tags a row holds.
        cut_quality: whole numbers behind a whole value are its decimals, where `may_be_cut`.
        maybe_equipment: value columns one of which may be that, as all of the export shows.
    """

    time: int
    form: TimeForm
    tag: int | None
    values: Mapping[int, str]
    quality: Mapping[int, int] = field(default_factory=dict)
    clock: int | None = None
    coding: Coding = field(default_factory=Coding)
    bad_values: frozenset[str] = frozenset()
    decimal: str | None = None
    percents: frozenset[int] = frozenset()
    tags: frozenset[str] | None = None
    equipment: int | None = None
    maybe_equipment: tuple[int, ...] = ()
    cut_quality: bool = False

    @property
    def time_places(self) -> tuple[int, ...]:
        """The time column, and the one with the time of day where it stands apart."""
        return (self.time,) if self.clock is None else (self.time, self.clock)

    @property
    def row_places(self) -> tuple[int, ...]:
        """The columns that say of what and when a row of the wide layout is."""
        return self.time_places + (() if self.equipment is None else (self.equipment,))

    def of_equipment(self, place: int | None) -> Layout:
        """Return the layout in which that one of the value columns names the equipment."""
        values = {other: name for other, name in self.values.items() if other != place}
        return self if place is None else replace(self, equipment=place, values=values)

    def tag_names(self, found: Iterable[str]) -> list[str]:
        """Return the tags by number: those found, or the columns, of each equipment found."""
        columns = list(self.values.values())
        if self.tag is None and self.equipment is None:
            return columns
        return (
            list(found)
            if self.tag is not None
            else [f"{one}.{name}" for one in found for name in columns]
        )

    def left_out(self, names: Sequence[str]) -> list[str]:
        """Return which of the columns, by name, play no role."""
        used = {*self.row_places, *self.values, *self.quality.values(), self.tag}
        return [name for place, name in enumerate(names) if place not in used and name]

    def time_cells(self, frame: pl.DataFrame) -> pl.Series:
        """Return the cells with the times of a `Table`'s frame, date and time of day joined."""
        if self.clock is None:  # a query would wait behind the cutting of the next block
            return frame[column(self.time)]
        return frame.select(self.time_text()).to_series()

    def time_text(self) -> pl.Expr:
        """Return how the times come of a frame of text, date and time of day joined."""
        if self.clock is None:
            return pl.col(column(self.time))
        parts = [
            pl.col(column(place)).cast(pl.String).str.strip_chars() for place in self.time_places
        ]
        return pl.concat_str(parts, separator=" ")


def find_layout(
    file: str,
    names: Sequence[str],
    sample: Sequence[Sequence[str]],
    overrides: TakeIn,
    typed: Collection[int] = (),
    numbers: Collection[int] = (),
) -> Layout:
    """Work out the layout from column names and a sample of rows.

    Args:
        file: name of the file, for messages.
        names: column names, one a column; empty where a column has none.
        sample: rows of cells as text, from the beginning of the data.
        overrides: what the site file says, which goes before anything found here.
        typed: places of columns that are typed as instants, dates or times of day (Parquet).
        numbers: places of columns that are typed as numbers (Parquet).

    Raises:
        ExportError: more than one reading is possible, or none; says what settles it.
    """
    times = find_time_column(file, names, sample, overrides, typed)
    places = (times.time,) if times.clock is None else (times.time, times.clock)
    found = find_columns(file, names, sample, places, overrides, typed)
    is_open = found.tag is None and overrides.equipment_column is None
    layout = Layout(
        time=times.time,
        form=times.form,
        tag=found.tag,
        values=found.values,
        quality=found.quality,
        clock=times.clock,
        coding=Coding.given(overrides),
        bad_values=frozenset(word.strip().lower() for word in overrides.bad_values),
        decimal=overrides.decimal,
        tags=overrides.tags,
        equipment=found.equipment,
        maybe_equipment=(likely_equipment(sample, found.values, found.quality) if is_open else ()),
    )
    _check_cells(file, names, sample, overrides, layout, numbers)
    return layout


def _check_cells(
    file: str,
    names: Sequence[str],
    sample: Sequence[Sequence[str]],
    overrides: TakeIn,
    layout: Layout,
    numbers: Collection[int],
) -> None:
    """Refuse cells written plainly otherwise than the site file says; raises as `find_layout`."""
    for place in layout.quality.values():
        check_quality(file, names[place], [row[place] for row in sample], layout.coding)
    texts = [
        pl.Series([row[place] for row in sample], dtype=pl.String)
        for place in layout.values
        if place not in numbers
    ]
    if overrides.decimal is not None and texts:
        check_decimal(texts, overrides.decimal, file)
