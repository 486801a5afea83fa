"""Where the entries of an export wait until all of it is read: in memory, or in a staging file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.store.staging import Staging
from rowcall.take_in.load.entries import Entries
from rowcall.take_in.load.flat import Flat
from rowcall.take_in.read.cell_table import NOTHING_ASIDE, Table
from rowcall.take_in.sniff.layout import Layout

_BYTES_PER_ENTRY = 23  # in memory: tag 2, line 4, instant 8, value 8, quality 1
_TYPES = {
    "tag": np.uint16,
    "line": np.uint32,
    "time_us": np.int64,
    "value": np.float64,
    "quality": np.uint8,
}


class FullError(Exception):
    """An export turned out to be too large for memory."""


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
        self._asides = [NOTHING_ASIDE]
        self._taken_out: list[pl.DataFrame] = []
        self.count = 0

    def add(self, table: Table, layout: Layout, entries: Entries) -> None:
        """Add what was read of a table in a layout; raises a `FullError` where there is no room."""
        flat = entries.flat
        self.count += len(flat.tag)
        if self._max_bytes is not None and _BYTES_PER_ENTRY * self.count > self._max_bytes:
            raise FullError
        for name, kind in _TYPES.items():
            self._columns[name].append(getattr(flat, name).astype(kind, copy=False))
        self._asides.append(entries.set_aside)

    def slices(self, rows: int) -> Iterator[Flat]:
        """Hand over all entries at once, in the order of their lines."""
        yield Flat(**{name: self._taken(name) for name in _TYPES})

    def add_taken_out(self, entries: pl.DataFrame) -> None:
        """Add entries that are no samples after all: `line`, `tag`, `reason`."""
        self._taken_out.append(entries)

    def taken_out(self, first_line: int, past_line: int) -> pl.DataFrame:
        """Return those on a span of lines, by line."""
        inside = pl.col("line").is_between(first_line, past_line, "left")
        out = pl.concat(self._taken_out).filter(inside)
        return out.sort("line", maintain_order=True)

    @property
    def has_taken_out(self) -> bool:
        """True where there are any."""
        return bool(self._taken_out)

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
        """Return the earliest instant of all entries, None where there are none."""
        times = [block.min() for block in self._columns["time_us"] if len(block)]
        return int(min(times)) if times else None

    def tags_within(self, first_us: int, last_us: int) -> npt.NDArray[np.uint32]:
        """Return the numbers of the tags with entries in a span of time."""
        blocks = zip(self._columns["tag"], self._columns["time_us"], strict=True)
        inside = [tag[(time >= first_us) & (time <= last_us)] for tag, time in blocks]
        return np.unique(np.concatenate([np.empty(0, np.uint32), *inside]))

    def _taken(self, name: str) -> npt.NDArray[Any]:
        """Hand over a column in one piece, so that it is in memory twice for a moment only."""
        column = np.concatenate([np.empty(0, _TYPES[name]), *self._columns[name]])
        self._columns[name] = []
        return column


class OnDisk(Staging):
    """Holds everything in a staging file, and hands it over slice by slice."""

    def add(self, table: Table, layout: Layout, entries: Entries) -> None:
        """Add a table's entries."""
        self.add_entries(pl.DataFrame({name: getattr(entries.flat, name) for name in _TYPES}))
        self.add_aside(entries.set_aside)

    def slices(self, rows: int) -> Iterator[Flat]:
        """Hand over the entries cut by time, about `rows` at a time."""
        for frame in self.frames(rows):
            yield Flat(*(frame[name].to_numpy() for name in _TYPES))


Sink: TypeAlias = InMemory | OnDisk
