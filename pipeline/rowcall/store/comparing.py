"""How one export's samples differ from those that the store has already."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.store.batch import Batch
from rowcall.store.connection import Store

Ids = npt.NDArray[np.uint16]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Change:
    """Masks over a batch, and the row numbers of stored samples that it replaces."""

    replaced: Mask
    unchanged: Mask
    gone: npt.NDArray[np.int64]

    def undone(self) -> Change:
        """Return a change that leaves in the store what is there."""
        nothing = np.zeros_like(self.replaced)
        return Change(nothing, self.replaced | self.unchanged, self.gone[:0])


@dataclass(frozen=True, slots=True)
class _Old:
    """Stored samples, sorted by tag and time, with the row numbers that DELETE takes."""

    tag: Ids
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]
    rowid: npt.NDArray[np.int64]

    def of_tag(self, tag_id: np.uint16) -> slice:
        """Return the slice of one tag."""
        first = np.searchsorted(self.tag, tag_id)
        return slice(int(first), int(np.searchsorted(self.tag, tag_id, side="right")))


def spans_of(batch: Batch, ids: Ids) -> pl.DataFrame:
    """Return `tag_id`, `first_time`, `last_time` (UTC) of each tag that has samples."""
    filled = np.diff(batch.bounds) > 0
    first, past = batch.bounds[:-1][filled], batch.bounds[1:][filled]
    return pl.DataFrame(
        {
            "tag_id": ids[filled],
            "first_time": pl.Series(batch.time_us[first]).cast(pl.Datetime("us")),
            "last_time": pl.Series(batch.time_us[past - 1]).cast(pl.Datetime("us")),
        }
    )


def compare(store: Store, batch: Batch, ids: Ids, spans: pl.DataFrame) -> Change:
    """Find what the store has of `batch`, looking only at tags whose files' spans overlap."""
    replaced, unchanged = np.zeros(len(batch), np.bool_), np.zeros(len(batch), np.bool_)
    gone: list[npt.NDArray[np.int64]] = [np.empty(0, np.int64)]
    overlapping = _overlapping(store, spans)
    if not overlapping:
        return Change(replaced, unchanged, gone[0])
    old = _old_samples(store, spans, overlapping)
    for tag_id, piece in zip(ids, batch.slices(), strict=True):
        mine = old.of_tag(tag_id)
        if mine.start == mine.stop:
            continue
        old_time, time = old.time_us[mine], batch.time_us[piece]
        at = np.minimum(np.searchsorted(old_time, time), len(old_time) - 1)
        hit = old_time[at] == time
        was, now = old.value[mine][at], batch.value[piece]
        same = (was == now) | (np.isnan(was) & np.isnan(now))
        same &= old.quality[mine][at] == batch.quality[piece]
        replaced[piece], unchanged[piece] = hit & ~same, hit & same
        gone.append(old.rowid[mine][at[hit & ~same]])
    return Change(replaced, unchanged, np.concatenate(gone))


def _overlapping(store: Store, spans: pl.DataFrame) -> list[int]:
    """Return the tags of which an earlier file has samples within this batch's span."""
    with store.view("spans", spans):
        rows = store.connection.execute(
            "SELECT DISTINCT n.tag_id FROM spans n JOIN file_tags f ON f.tag_id = n.tag_id "
            "AND f.first_time <= n.last_time AND f.last_time >= n.first_time"
        ).fetchall()
    return [int(tag_id) for (tag_id,) in rows]


def _old_samples(store: Store, spans: pl.DataFrame, tags: list[int]) -> _Old:
    first = int(spans["first_time"].to_physical().to_numpy().min())
    last = int(spans["last_time"].to_physical().to_numpy().max())
    table = store.frame(
        "SELECT rowid, tag_id, time, value, quality FROM samples "
        f"WHERE tag_id IN ({', '.join(map(str, tags))}) "
        f"AND time >= make_timestamp({first}) AND time <= make_timestamp({last})"
    )
    tag, time = table["tag_id"].to_numpy(), table["time"].to_physical().to_numpy()
    order = np.lexsort((time, tag))
    return _Old(
        tag[order],
        time[order],
        table["value"].to_numpy()[order],
        table["quality"].to_numpy()[order],
        table["rowid"].to_numpy()[order],
    )
