"""One reading of an export, table by table, from the first one to the last.

What only the whole of it settles (the order of day and month, the decimal sign, the numbering of
qualities, the equipment column, the doubled hours of autumn) is supposed to be as its first table
has it. Where all of it then shows otherwise, it is read once more with what was found. So the usual
export is gone through once, whatever its size, and each ends as if all had been known at first.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import chain

import numpy as np
import polars as pl

from rowcall.store.batch import Batch, Part
from rowcall.take_in.cells.ambiguous_hour import AmbiguousHour, Passes
from rowcall.take_in.cells.timestamps import Bounds, Order
from rowcall.take_in.load.entries import REASONS, SAME_INSTANT, STRAY, entries_aside, read_entries
from rowcall.take_in.load.flat import Flat, batch_of, no_samples, sort_once
from rowcall.take_in.load.jumps import Jumps
from rowcall.take_in.load.sinks import Sink
from rowcall.take_in.load.strays import Bulk, Spans, strays
from rowcall.take_in.read.cell_table import NOTHING_ASIDE
from rowcall.take_in.read.opening import Opened
from rowcall.take_in.sniff.encoding import NotUtf8Error
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.survey import Survey


@dataclass(frozen=True, slots=True)
class Read:
    """What one reading found, besides the entries and rows set aside that are in its sink.

    Attributes:
        layout: with nothing left open.
        names: the tags, in the order of their numbers.
        rows_read: counted from the tables, not from the sink.
        jumps: the number of lines before which the time runs back, and the first of them.
        order: the order of day and month, where the form of the times leaves it open.
        bulk: the span of nearly all rows, where some lie far from it.
        still_open: parts of the layout that are but supposed, by their names in it.
    """

    opened: Opened
    layout: Layout
    names: Sequence[str]
    rows_read: int
    jumps: tuple[int, int]
    order: Order | None
    bulk: Bulk | None
    still_open: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Known:
    """What earlier readings found; None: nothing yet."""

    survey: Survey | None = None
    layout: Layout | None = None
    passes: Passes | None = None


def read_through(
    opened: Opened, zone: tzinfo, bounds: Bounds, to: Sink, *, supposes: bool = False
) -> Read:
    """Read an export into a sink.

    Args:
        zone: in which times without an offset are read.
        bounds: the instants that can be true.
        supposes: an open order of day and month, or decimal sign, is read in the likelier way,
            instead of refused.

    Raises:
        ExportError: it cannot be read; names the place and the remedy.
        FullError: it does not fit in the sink.
    """
    reading = _Reading(opened, zone, bounds, to, supposes)
    known = _Known()
    while True:
        to.clear()
        try:
            read, found = reading.go(known)
        except NotUtf8Error:
            opened.rewrite()
            known = _Known()
            continue
        if read is not None:
            return read
        known = found


def samples_of(read: Read, to: Sink) -> Batch:
    """Return the samples of an export that was read into memory; the sink is empty afterwards."""
    kept, _ = sort_once(next(to.slices(0)))
    return batch_of(kept, read.names)


def parts(read: Read, to: Sink, slice_rows: int) -> Iterator[Part]:
    """Return the entries slice by slice, sorted and one an instant, and all rows set aside.

    The text of entries that turned out to be none takes another reading.
    """
    bulk, is_long = read.bulk, read.layout.tag is not None
    own = None if bulk is None else to.tags_within(*bulk)
    for flat in to.slices(slice_rows):
        far = None if bulk is None or own is None else strays(flat, bulk, own, is_long=is_long)
        if far is not None:
            _take_out(to, flat.take(far), STRAY)
        kept, repeated = sort_once(flat if far is None else flat.take(~far))
        del flat
        _take_out(to, repeated, SAME_INSTANT)
        yield Part(batch_of(kept, read.names), NOTHING_ASIDE)
        del kept
    for rows in chain(_taken_out_aside(read, to), to.aside()):
        if rows.height:
            yield Part(no_samples(), rows)


def _take_out(to: Sink, flat: Flat, reason: str) -> None:
    """Note entries that are no samples after all."""
    if len(flat.line):
        code = np.full(len(flat.line), REASONS.index(reason), np.uint8)
        columns = {"line": flat.line, "tag": flat.tag, "reason": code}
        schema = {"line": pl.Int64, "tag": pl.UInt32, "reason": pl.UInt8}
        to.add_taken_out(pl.DataFrame(columns, schema_overrides=schema))


def _taken_out_aside(read: Read, to: Sink) -> Iterator[pl.DataFrame]:
    if not to.has_taken_out:
        return
    for table in read.opened.tables():
        if not table.frame.height:
            continue
        first, last = table.line_of(np.array([0, table.frame.height - 1])).tolist()
        out = to.taken_out(first, last + 1)
        if out.height:
            rows = table.row_of(out["line"].to_numpy())
            tags, reason = out["tag"].to_numpy(), out["reason"].to_numpy()
            yield entries_aside(table, read.layout, rows, tags, reason)


@dataclass(frozen=True, slots=True)
class _Reading:
    opened: Opened
    zone: tzinfo
    bounds: Bounds
    to: Sink
    supposes: bool

    def go(self, known: _Known) -> tuple[Read | None, _Known]:
        """Read all tables; return no result where what was supposed is not what was found."""
        opened, file = self.opened, self.opened.source.name
        survey = known.survey or Survey(file, opened.names, opened.layout)
        hour = AmbiguousHour(file, self.zone, self.bounds, known.passes)
        layout, jumps, spans = known.layout, Jumps(), Spans()
        numbers: dict[str, int] = {}
        rows_read = 0
        for table in opened.tables():
            if known.survey is None:
                survey.look(table)
            layout = layout or survey.likely()[0]
            entries = read_entries(file, table, layout, hour, numbers)
            rows_read += entries.rows_read
            if not hour.is_open:  # else all of it is read again anyway
                self.to.add(table, layout, entries)
                flat = entries.flat
                jumps.add(flat.tag, flat.time_us, flat.line)
                spans.add(flat.time_us, len(layout.values))
        settled, still_open = survey.likely() if self.supposes else (survey.settled(), ())
        if "coding" in still_open:
            survey.settled()  # which is refused
        if layout != settled:
            return None, _Known(survey, settled)
        if hour.is_open:
            return None, _Known(survey, settled, hour.passes())
        order = None if "form" in still_open else survey.order()
        found = settled.tag_names(numbers), rows_read, jumps.found(), order, spans.bulk()
        return Read(opened, settled, *found, still_open), known
