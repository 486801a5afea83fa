"""Storing one export: new samples appended, changed ones replaced, all in one transaction."""

from __future__ import annotations

from datetime import date

import duckdb
import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.day_report import FileNote
from rowcall.errors import StoreError
from rowcall.store.batch import SET_ASIDE_SCHEMA, Batch, Export
from rowcall.store.comparing import Ids, compare, spans_of
from rowcall.store.connection import Store
from rowcall.store.days import local_days
from rowcall.store.samples import from_epoch_us, naive_utc, tag_ids

_MAX_TAGS = 65_535  # tag_id is a USMALLINT


def store_export(store: Store, export: Export) -> FileNote:
    """Store one export whole or not at all, and return its line of the ledger.

    For each tag and instant the last export wins: a sample that is new is `stored`, one whose
    value or quality differs from the stored one has `replaced` it, an equal one is `unchanged`.
    Samples that an earlier export brought and this one lacks stay.

    Raises:
        StoreError: more than 65,535 tags, or the file cannot be written; nothing was stored.
    """
    try:
        with store.transaction():
            return _store(store, export)
    except duckdb.Error as error:
        reason = str(error).strip().splitlines()[0]
        raise StoreError(
            f"{store.path}: nothing of {export.name} was stored, because the store could not be "
            f"written ({reason}); check that the disk has room."
        ) from error


def _store(store: Store, export: Export) -> FileNote:
    batch, ids = _in_store_order(export.batch, _number_tags(store, export.batch.names))
    spans = spans_of(batch, ids)
    change = compare(store, batch, ids, spans)
    kept = ~change.unchanged
    note = _note(export, int(change.replaced.sum()), int(change.unchanged.sum()))
    _delete(store, change.gone, batch.time_us)
    _append(store, batch, ids, kept)
    file_id = _enter_file(store, export, note)
    _enter_spans(store, file_id, spans)
    _enter_days(store, file_id, local_days(batch.time_us[kept], export.zone))
    _enter_set_aside(store, file_id, export.set_aside)
    return note


def _note(export: Export, replaced: int, unchanged: int) -> FileNote:
    """Return the ledger's line; every row read must be accounted for exactly once."""
    batch, set_aside = export.batch, export.set_aside.height
    stored = len(batch) - replaced - unchanged
    if export.rows_read != stored + replaced + unchanged + set_aside:
        raise AssertionError(
            f"{export.name}: {export.rows_read} rows read, but {stored} stored, {replaced} "
            f"replaced, {unchanged} unchanged and {set_aside} set aside"
        )
    return FileNote(
        name=export.name,
        sha256=export.sha256,
        rows_read=export.rows_read,
        stored=stored,
        replaced=replaced,
        unchanged=unchanged,
        set_aside=set_aside,
        first=from_epoch_us(batch.time_us.min()) if len(batch) else None,
        last=from_epoch_us(batch.time_us.max()) if len(batch) else None,
    )


def _number_tags(store: Store, names: tuple[str, ...]) -> list[int]:
    """Return the tag_id of each name, giving new names the next free numbers."""
    known = tag_ids(store, names)
    new = [name for name in names if name not in known]
    if new:
        row = store.connection.execute("SELECT coalesce(max(tag_id), -1) + 1 FROM tags").fetchone()
        first = int(row[0]) if row else 0
        if first + len(new) > _MAX_TAGS:
            raise StoreError(
                f"{store.path}: with this export the store would hold {first + len(new)} tags, "
                f"and {_MAX_TAGS} is the most; was a value column taken for the tag column?"
            )
        known |= {name: first + place for place, name in enumerate(new)}
        store.connection.execute(
            "INSERT INTO tags SELECT unnest(?::USMALLINT[]), unnest(?::VARCHAR[])",
            [[known[name] for name in new], new],
        )
    return [known[name] for name in names]


def _in_store_order(batch: Batch, ids: list[int]) -> tuple[Batch, Ids]:
    """Return the batch with its tags in the order of their tag_id, and these tag_ids."""
    order = sorted(range(len(ids)), key=ids.__getitem__)
    numbers = np.array(ids, dtype=np.uint16)[order] if ids else np.empty(0, np.uint16)
    if order == list(range(len(ids))):
        return batch, numbers
    slices = list(batch.slices())
    pieces = [slices[place] for place in order]
    bounds = np.cumsum([0, *(piece.stop - piece.start for piece in pieces)])
    return (
        Batch(
            tuple(batch.names[place] for place in order),
            bounds.astype(np.int64),
            np.concatenate([batch.time_us[piece] for piece in pieces]),
            np.concatenate([batch.value[piece] for piece in pieces]),
            np.concatenate([batch.quality[piece] for piece in pieces]),
        ),
        numbers,
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


def _enter_file(store: Store, export: Export, note: FileNote) -> int:
    row = store.connection.execute("SELECT coalesce(max(file_id), 0) + 1 FROM files").fetchone()
    file_id = int(row[0]) if row else 1
    store.connection.execute(
        "INSERT INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
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
        ],
    )
    return file_id


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
