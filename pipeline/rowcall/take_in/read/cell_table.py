"""The rows of an export as read: a frame of cells, with the line that each row came from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from rowcall.store.batch import SET_ASIDE_SCHEMA

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Table:
    """An export's data.

    Attributes:
        names: column names.
        frame: columns `c0`, `c1`, ... in the order of `names`; typed from Parquet, else text, but
            tags and qualities as categories. Further ones are what a text was parsed to while it
            was cut: `time` (i64 us, null where a cell is no plain time), and of values `nc0`, ...
        first_line: 1-based line (Parquet: row) of the first row of the frame.
        lines: i64, the line of each row where lines were left out, else None (one a row).
        set_aside: whole lines that are no rows, with the columns of `SET_ASIDE_SCHEMA`.
        separator: what goes between cells when a row is shown as text.
    """

    names: tuple[str, ...]
    frame: pl.DataFrame
    first_line: int
    lines: npt.NDArray[np.int64] | None
    set_aside: pl.DataFrame
    separator: str

    @property
    def cells(self) -> pl.DataFrame:
        """The columns of the export alone."""
        return self.frame.select(column(place) for place in range(len(self.names)))

    @property
    def times(self) -> pl.Series | None:
        """The times as far as they were parsed already, None where they were not."""
        return self.frame[TIME] if TIME in self.frame.schema else None

    def number(self, place: int) -> pl.Series:
        """Return a column as f64, null where a cell is no plain number with a decimal point."""
        found: pl.Series | None = self.frame.get_column(number(place), default=None)
        if found is not None:
            return found
        cells = self.frame[column(place)]
        plain = cells.cast(pl.String) if cells.dtype.is_temporal() else cells
        return plain.cast(pl.Float64, strict=False)

    def line_of(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Return the 1-based line of each of the rows of the frame."""
        return rows + self.first_line if self.lines is None else self.lines[rows]

    def row_of(self, lines: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Return the row of the frame that stands on each of the lines, all of which it has."""
        return lines - self.first_line if self.lines is None else self.lines.searchsorted(lines)

    def shown(self, rows: npt.NDArray[np.int64], places: Sequence[int]) -> pl.Series:
        """Return the cells of some columns of the given rows, as text joined by the separator."""
        names = [column(place) for place in places]
        cells = [pl.col(name).cast(pl.String).fill_null("") for name in names]
        joined = pl.concat_str(cells, separator=self.separator)
        return self.frame.select(names)[rows].select(joined).to_series()


def shifted(table: Table, lines: int) -> Table:
    """Return a table whose first line is preceded by `lines` more than it knows of."""
    return replace(
        table,
        first_line=table.first_line + lines,
        lines=None if table.lines is None else table.lines + lines,
        set_aside=table.set_aside.with_columns(pl.col("line") + lines),
    )


TIME = "time"  # the frame's name of the parsed times


def number(place: int) -> str:
    """Return the frame's name of the parsed numbers of the column at a 0-based place."""
    return f"n{column(place)}"


def column(place: int) -> str:
    """Return the frame's name of the column at a 0-based place."""
    return f"c{place}"


NOTHING_ASIDE = pl.DataFrame(schema=SET_ASIDE_SCHEMA)


def set_aside(
    lines: npt.NDArray[np.int64] | Sequence[int],
    column_name: str | Sequence[str],
    raw: pl.Series | Sequence[str],
    reason: str | Sequence[str],
) -> pl.DataFrame:
    """Return rows to be set aside, with the columns of `SET_ASIDE_SCHEMA`."""
    count = len(lines)
    names = [column_name] * count if isinstance(column_name, str) else column_name
    reasons = [reason] * count if isinstance(reason, str) else reason
    return pl.DataFrame(
        {"line": lines, "column_name": names, "raw": raw, "reason": reasons},
        schema=SET_ASIDE_SCHEMA,
    )
