"""Where the entries of an export wait until all of it is read: in memory, or in a staging file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.store.staging import Staging
from rowcall.take_in.load.entries import Entries
from rowcall.take_in.load.flat import Flat
from rowcall.take_in.read.cell_table import Table, set_aside
from rowcall.take_in.sniff.layout import Layout

_BYTES_PER_ENTRY = 23  # in memory: tag 2, line 4, instant 8, value 8, quality 1
_ASIDE_ROWS = 200_000  # rows set aside, handed over at a time
_TYPES = {
    "tag": np.uint16,
    "line": np.uint32,
    "time_us": np.int64,
    "value": np.float64,
    "quality": np.uint8,
}


class FullError(Exception):
    """An export turned out to be too large for memory."""


class Sink(Protocol):
    """Collects the entries of an export, and its rows set aside."""

    @property
    def count(self) -> int:
        """How many there are."""
        ...

    def clear(self) -> None:
        """Forget everything."""
        ...

    def add(self, table: Table, layout: Layout, entries: Entries) -> None:
        """Add what was read of a table in a layout; raises a `FullError` where there is no room."""
        ...

    def slices(self, rows: int) -> Iterator[Flat]:
        """Hand over the entries, all of one instant together, in the order of their lines."""
        ...

    def add_repeated(self, flat: Flat) -> None:
        """Add entries that a later line repeats, which are no samples after all."""
        ...

    def repeated(self, first_line: int, past_line: int) -> pl.DataFrame:
        """Return the `line` and `tag` of those on a span of lines, by line."""
        ...

    @property
    def has_repeated(self) -> bool:
        """True where there are any."""
        ...

    def aside(self) -> Iterator[pl.DataFrame]:
        """Return the rows set aside."""
        ...

    def count_aside(self, lines: pl.Series) -> int:
        """Return how many rows of these lines are set aside."""
        ...

    def has_aside(self, reason: str) -> bool:
        """True where any row is set aside for this reason."""
        ...

    def first_us(self) -> int | None:
        """Return the earliest instant of all entries, None where there are none."""
        ...


class InMemory:
    """Holds everything in memory.

    Args:
        max_bytes: of entries; None for as many as come.
    """

    def __init__(self, max_bytes: int | None = None) -> None:
        self._max_bytes = max_bytes
        self.clear()

    def clear(self) -> None:
        """Forget everything."""
        self._columns: dict[str, list[npt.NDArray[Any]]] = {name: [] for name in _TYPES}
        self._asides = [set_aside([], [], [], [])]
        self._repeated = pl.DataFrame(schema={"line": pl.Int64, "tag": pl.UInt32})
        self._count = 0

    @property
    def count(self) -> int:
        """How many entries there are."""
        return self._count

    def add(self, table: Table, layout: Layout, entries: Entries) -> None:
        """Add a table's entries."""
        flat = entries.flat
        self._count += len(flat.tag)
        if self._max_bytes is not None and _BYTES_PER_ENTRY * self._count > self._max_bytes:
            raise FullError
        for name, kind in _TYPES.items():
            self._columns[name].append(getattr(flat, name).astype(kind, copy=False))
        self._asides.append(entries.set_aside)

    def slices(self, rows: int) -> Iterator[Flat]:
        """Hand over all entries at once."""
        yield Flat(**{name: self._taken(name) for name in _TYPES})

    def add_repeated(self, flat: Flat) -> None:
        """Add repeated entries."""
        self._repeated = _repeated(flat).sort("line", maintain_order=True)

    def repeated(self, first_line: int, past_line: int) -> pl.DataFrame:
        """Return those on a span of lines."""
        return self._repeated.filter(pl.col("line").is_between(first_line, past_line, "left"))

    @property
    def has_repeated(self) -> bool:
        """True where there are any."""
        return bool(self._repeated.height)

    def aside(self) -> Iterator[pl.DataFrame]:
        """Return the rows set aside."""
        yield pl.concat(self._asides)

    def count_aside(self, lines: pl.Series) -> int:
        """Return how many rows of these lines are set aside."""
        wanted = pl.col("line").is_in(lines.implode())
        return sum(rows.filter(wanted).height for rows in self._asides)

    def has_aside(self, reason: str) -> bool:
        """True where any row is set aside for this reason."""
        return any((rows["reason"] == reason).any() for rows in self._asides)

    def first_us(self) -> int | None:
        """Return the earliest instant."""
        times = [block.min() for block in self._columns["time_us"] if len(block)]
        return int(min(times)) if times else None

    def _taken(self, name: str) -> npt.NDArray[Any]:
        """Hand over a column in one piece, so that it is in memory twice for a moment only."""
        column = np.concatenate([np.empty(0, _TYPES[name]), *self._columns[name]])
        self._columns[name] = []
        return column


class OnDisk:
    """Holds everything in a staging file, and hands it over slice by slice."""

    def __init__(self, to: Staging) -> None:
        self._to = to

    @property
    def count(self) -> int:
        """How many entries there are."""
        return self._to.count

    def clear(self) -> None:
        """Forget everything."""
        self._to.clear()

    def add(self, table: Table, layout: Layout, entries: Entries) -> None:
        """Add a table's entries."""
        self._to.add(pl.DataFrame({name: getattr(entries.flat, name) for name in _TYPES}))
        self._to.add_aside(entries.set_aside)

    def slices(self, rows: int) -> Iterator[Flat]:
        """Hand over the entries cut by time, about `rows` at a time."""
        for frame in self._to.slices(rows):
            yield Flat(*(frame[name].to_numpy() for name in _TYPES))

    def add_repeated(self, flat: Flat) -> None:
        """Add repeated entries."""
        self._to.add_repeated(_repeated(flat))

    def repeated(self, first_line: int, past_line: int) -> pl.DataFrame:
        """Return those on a span of lines."""
        return self._to.repeated(first_line, past_line)

    @property
    def has_repeated(self) -> bool:
        """True where there are any."""
        return self._to.has_repeated

    def aside(self) -> Iterator[pl.DataFrame]:
        """Return the rows set aside, some at a time."""
        return self._to.aside(_ASIDE_ROWS)

    def count_aside(self, lines: pl.Series) -> int:
        """Return how many rows of these lines are set aside."""
        return self._to.count_aside(lines)

    def has_aside(self, reason: str) -> bool:
        """True where any row is set aside for this reason."""
        return self._to.has_aside(reason)

    def first_us(self) -> int | None:
        """Return the earliest instant."""
        return self._to.first_us()


def _repeated(flat: Flat) -> pl.DataFrame:
    return pl.DataFrame({"line": flat.line, "tag": flat.tag}).cast(
        {"line": pl.Int64, "tag": pl.UInt32}
    )
