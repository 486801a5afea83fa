"""Storing one export: new samples appended, changed ones replaced, all in one transaction."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError, StoreError
from rowcall.file_note import FileNote
from rowcall.store.archive.archived import bring_back
from rowcall.store.batch import SET_ASIDE_SCHEMA, Batch, Export, Part
from rowcall.store.comparing import Change, Ids, compare, overlapping_files, spans_of
from rowcall.store.connection import Store
from rowcall.store.future_rows import Again, hand_over
from rowcall.store.local_days import local_days
from rowcall.store.samples import from_epoch_us, naive_utc
from rowcall.store.tag_ids import in_store_order, number_tags
from rowcall.store.trouble import store_trouble


@dataclass(frozen=True, slots=True)
class Contradicted:
    """Files that brought a tag and instant with another value or quality.

    Attributes:
        earlier: names of those written no later, whose samples were replaced.
        later: names of those written later, whose samples stay.
        outdated: how many samples of the export do not count for that.
    """

    earlier: tuple[str, ...] = ()
    later: tuple[str, ...] = ()
    outdated: int = 0


def store_export(
    store: Store, export: Export, again: Again | None = None
) -> tuple[FileNote, Contradicted]:
    """Store one export whole or not at all; return its line of the ledger, and whom it contradicts.

    For each tag and instant the export whose file was written last wins: a sample that is new is
    `stored`, one whose value or quality differs from the stored one has `replaced` it, an equal one
    is `unchanged`, as is one that a file written later brought otherwise. Samples that an earlier
    export brought and this one lacks stay.

    Args:
        again: rows of it that an earlier reading set aside, and this one brings. What the store
            has at their instants came later, and stays.

    Raises:
        StoreError: more than 65,535 tags, or the file cannot be written; nothing was stored.
    """
    try:
        with store.transaction():
            if again is not None:
                hand_over(store, again)
            return _store(store, export, stays=again is not None)
    except duckdb.Error as error:
        what = f"nothing of {export.name} was stored, because the store could not be written"
        raise store_trouble(store.path, error, what, "What it held before is whole.") from error


@dataclass(frozen=True, slots=True)
class _Done:
    """What became of one part: counts of rows, spans of its tags, days that it changed."""

    stored: int
    replaced: int
    unchanged: int
    set_aside: int
    spans: pl.DataFrame
    days: list[date]
    against: Contradicted


def _store(store: Store, export: Export, *, stays: bool) -> tuple[FileNote, Contradicted]:
    file_id = _next_file_id(store)
    done = [_store_part(store, file_id, part, export, stays=stays) for part in export.parts]
    spans = _joined(one.spans for one in done)
    note = _note(export, done, spans)
    _enter_file(store, file_id, export, note)
    _enter_spans(store, file_id, spans)
    _enter_days(store, file_id, sorted({day for one in done for day in one.days}))
    return note, Contradicted(
        tuple(dict.fromkeys(name for one in done for name in one.against.earlier)),
        tuple(dict.fromkeys(name for one in done for name in one.against.later)),
        sum(one.against.outdated for one in done),
    )


def _store_part(store: Store, file_id: int, part: Part, export: Export, *, stays: bool) -> _Done:
    batch, ids = in_store_order(part.batch, number_tags(store, part.batch.names))
    spans = spans_of(batch, ids)
    _bring_back(store, export.name, batch.time_us)
    change = compare(store, batch, ids, spans, export.written_ns)
    if stays:
        change = change.undone()
    kept = ~change.unchanged
    _delete(store, change.gone, batch.time_us)
    _append(store, batch, ids, kept)
    _enter_set_aside(store, file_id, part.set_aside)
    replaced, unchanged = int(change.replaced.sum()), int(change.unchanged.sum())
    return _Done(
        stored=len(batch) - replaced - unchanged,
        replaced=replaced,
        unchanged=unchanged,
        set_aside=part.set_aside.height,
        spans=spans,
        days=local_days(batch.time_us if kept.all() else batch.time_us[kept], export.zone),
        against=_contradicted(store, spans, change, export.written_ns),
    )


def _bring_back(store: Store, name: str, time_us: npt.NDArray[np.int64]) -> None:
    """Put archived days that samples fall in back into the store."""
    if not len(time_us):
        return
    try:
        bring_back(store, time_us)
    except StoreError as error:
        raise ExportError(f"{name}: it has samples of an archived day. {error}") from error


def _contradicted(
    store: Store, spans: pl.DataFrame, change: Change, written_ns: int
) -> Contradicted:
    def names(found: bool, *, later: bool) -> tuple[str, ...]:
        return tuple(overlapping_files(store, spans, written_ns, later=later)) if found else ()

    return Contradicted(
        names(bool(change.replaced.any()), later=False),
        names(bool(change.outdated.any()), later=True),
        int(change.outdated.sum()),
    )


def _joined(spans: Iterable[pl.DataFrame]) -> pl.DataFrame:
    """Return one span a tag."""
    ends = pl.col("first_time").min(), pl.col("last_time").max()
    return pl.concat(spans).group_by("tag_id").agg(ends).sort("tag_id")


def _note(export: Export, done: Sequence[_Done], spans: pl.DataFrame) -> FileNote:
    """Return the ledger's line; every row read must be accounted for exactly once."""
    stored, replaced = sum(one.stored for one in done), sum(one.replaced for one in done)
    unchanged, set_aside = sum(one.unchanged for one in done), sum(one.set_aside for one in done)
    if export.rows_read != stored + replaced + unchanged + set_aside:
        raise AssertionError(
            f"{export.name}: {export.rows_read} rows read, but {stored} stored, {replaced} "
            f"replaced, {unchanged} unchanged and {set_aside} set aside"
        )
    times = spans.select(
        pl.col("first_time").min().to_physical(), pl.col("last_time").max().to_physical()
    )
    return FileNote(
        name=export.name,
        sha256=export.sha256,
        rows_read=export.rows_read,
        stored=stored,
        replaced=replaced,
        unchanged=unchanged,
        set_aside=set_aside,
        first=from_epoch_us(times.item(0, 0)) if spans.height else None,
        last=from_epoch_us(times.item(0, 1)) if spans.height else None,
    )


def _delete(store: Store, gone: npt.NDArray[np.int64], time_us: npt.NDArray[np.int64]) -> None:
    """Delete rows by row number, all of which lie within the span of `time_us`.

    The span lets DuckDB pass over every row group of other days, which row numbers alone do not.
    A run without gaps, as of a whole replaced day, goes by its ends.
    """
    if not len(gone):
        return
    first, last = int(gone.min()), int(gone.max())
    where = f"rowid BETWEEN {first} AND {last}"
    if last - first + 1 == len(gone):
        store.connection.execute(f"DELETE FROM samples WHERE {where}")
        return
    with store.view("gone", pl.DataFrame({"gone": gone})):
        store.connection.execute(
            f"DELETE FROM samples WHERE time >= make_timestamp({int(time_us.min())}) "
            f"AND time <= make_timestamp({int(time_us.max())}) "
            "AND rowid IN (SELECT gone FROM gone)"
        )


def _append(store: Store, batch: Batch, ids: Ids, kept: npt.NDArray[np.bool_]) -> None:
    if not len(batch):
        return
    frame = pl.DataFrame(
        {
            "tag_id": np.repeat(ids, np.diff(batch.bounds)),
            "time": pl.Series(batch.time_us).cast(pl.Datetime("us")),
            "value": batch.value,
            "quality": batch.quality,
        }
    )
    with store.view("batch", frame if kept.all() else frame.filter(kept)):
        store.connection.execute("INSERT INTO samples SELECT * FROM batch")


def _next_file_id(store: Store) -> int:
    row = store.connection.execute("SELECT coalesce(max(file_id), 0) + 1 FROM files").fetchone()
    return int(row[0]) if row else 1


def _enter_file(store: Store, file_id: int, export: Export, note: FileNote) -> None:
    store.connection.execute(
        "INSERT INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            file_id,
            note.name,
            note.sha256,
            export.size_bytes,
            naive_utc(export.taken_in_at),
            note.rows_read,
            note.stored,
            note.replaced,
            note.unchanged,
            note.set_aside,
            None if note.first is None else naive_utc(note.first),
            None if note.last is None else naive_utc(note.last),
            export.written_ns,
        ],
    )


def _enter_spans(store: Store, file_id: int, spans: pl.DataFrame) -> None:
    with store.view("spans", spans):
        store.connection.execute(
            f"INSERT INTO file_tags SELECT {file_id}, tag_id, first_time, last_time FROM spans"
        )


def _enter_days(store: Store, file_id: int, days: list[date]) -> None:
    if days:
        store.connection.execute(
            f"INSERT INTO file_days SELECT {file_id}, unnest(?::DATE[])", [days]
        )


def _enter_set_aside(store: Store, file_id: int, rows: pl.DataFrame) -> None:
    if rows.height:
        with store.view("rows_set_aside", rows.select(*SET_ASIDE_SCHEMA)):
            store.connection.execute(
                f"INSERT INTO set_aside SELECT {file_id}, * FROM rows_set_aside ORDER BY line"
            )
