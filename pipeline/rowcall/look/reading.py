"""Reading an export as take-in does, and keeping what was understood beside the samples."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import datetime, tzinfo
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl

from rowcall.draft.tag_facts import WithUnits
from rowcall.errors import ExportError
from rowcall.look.tag_stats import Looked, asides, span, tag_looks
from rowcall.look.understanding import Understood, overrides_of, sentences
from rowcall.site import TakeIn
from rowcall.take_in.cells.numbers import Cell
from rowcall.take_in.cells.timestamps import MISSING_HOUR, Bounds, parse_times
from rowcall.take_in.files.inbox import exports_at, name_within
from rowcall.take_in.files.sources import Source, reading, sources_in
from rowcall.take_in.load.entries import Entries, read_values
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.load.passes import Read, parts, read_through
from rowcall.take_in.read.cell_table import Table, column
from rowcall.take_in.read.opening import TextExport, open_export
from rowcall.take_in.sniff.layout import Layout


def look_at(
    path: Path,
    overrides: TakeIn,
    zone: tzinfo | None,
    now: datetime,
    refused: Callable[[ExportError], None] | None = None,
) -> Iterator[Looked]:
    """Return what is understood of an export, or of each one in an archive; stores nothing.

    Args:
        path: the file, or a folder or pattern of files.
        overrides: what the site file says of exports.
        zone: of times without an offset; None where it is not known.
        now: the present instant (aware).
        refused: gets what is wrong with each export that cannot be read, and the others go on;
            None: the first one is raised.

    Raises:
        ExportError: a file cannot be read; says what would settle it.
    """
    for file in exports_at(path):
        name = name_within(path, file) if path.is_dir() else file.name
        with _gathering(refused):
            try:
                for source in sources_in(file, name, overrides.largest_unpacked):
                    with _gathering(refused):
                        yield _look(source, overrides, zone, now)
            except OSError as error:
                raise ExportError(
                    f"{file}: the file cannot be read ({error.strerror or error}); check its name."
                ) from error


@contextmanager
def _gathering(refused: Callable[[ExportError], None] | None) -> Iterator[None]:
    try:
        yield
    except ExportError as error:
        if refused is None:
            raise
        refused(error)


def _look(source: Source, overrides: TakeIn, zone: tzinfo | None, now: datetime) -> Looked:
    if source.problem:
        raise ExportError(source.problem)
    with reading(source), ThreadPoolExecutor(max_workers=2) as pool:
        opened = open_export(source, overrides, Memory(), pool)
        try:
            to = _Counting(opened)
            bounds = Bounds.of(overrides.earliest, now, overrides.future_tolerance)
            read = read_through(opened, zone or ZoneInfo("UTC"), bounds, to)
            found = list(parts(read, to, to.count))
        finally:
            opened.close()
    understood = _understood(read, to, zone)
    batch = found[0].batch
    first, last = span(batch)
    return Looked(
        name=source.name,
        written=tuple(sentences(understood)),
        zone=zone if not understood.is_utc else ZoneInfo("UTC"),
        rows_read=read.rows_read,
        samples=len(batch),
        first=first,
        last=last,
        jumps=read.jumps,
        tags=tag_looks(batch, to.units),
        aside=asides(pl.concat([part.set_aside for part in found])),
        status_words=_ranked(to.status_words),
        overrides=tuple(overrides_of(understood, overrides)),
    )


class _Counting(WithUnits):
    """Counts besides the words in the place of values, and the texts of the quality columns."""

    def clear(self) -> None:
        """Forget everything."""
        super().clear()
        self.status_words: Counter[str] = Counter()
        self.qualities: Counter[str] = Counter()
        self.times = pl.Series(dtype=pl.String)

    def add(self, table: Table, layout: Layout, entries: Entries) -> None:
        """Add a table's entries."""
        super().add(table, layout, entries)
        if not len(self.times):
            self.times = layout.time_cells(table.frame).head(100)
        for place, values in zip(layout.values, read_values(table, layout), strict=True):
            words = table.frame[column(place)].filter(pl.Series(values.kind == Cell.WORD))
            self.status_words.update(_counts(words))
        for place in layout.quality.values():
            self.qualities.update(_counts(table.frame[column(place)]))


def _understood(read: Read, to: _Counting, zone: tzinfo | None) -> Understood:
    opened = read.opened
    head, container, encoding = None, "Parquet", ""
    if isinstance(opened, TextExport):
        head, encoding = opened.head, opened.writing.encoding
        container = "packed text" if opened.is_packed else "text"
    return Understood(
        names=opened.names,
        layout=read.layout,
        head=head,
        container=container,
        encoding="utf-16" if encoding.startswith("utf-16") else encoding,
        is_typed=isinstance(to.times.dtype, pl.Datetime),
        has_missing_hour=to.has_aside(MISSING_HOUR),
        is_utc=parse_times(to.times, read.layout.form).is_utc,
        order=read.order,
        zone=zone,
        qualities=_ranked(to.qualities),
    )


def _counts(cells: pl.Series) -> dict[str, int]:
    texts = cells.cast(pl.String).fill_null("").str.strip_chars()
    return dict(texts.value_counts().iter_rows())


def _ranked(counts: Counter[str]) -> tuple[tuple[str, int], ...]:
    """Return texts and how often each occurs, the most frequent first."""
    return tuple(sorted(counts.items(), key=lambda item: (-item[1], item[0])))
