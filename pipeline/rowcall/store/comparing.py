"""How one export's samples differ from those that the store has already."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.store.batch import Batch
from rowcall.store.connection import Store

Ids = npt.NDArray[np.uint16]
Mask = npt.NDArray[np.bool_]

# The spans of tags in files of the ledger that overlap with those of a batch (`spans`).
_OVERLAPS = (
    "spans n JOIN file_tags f ON f.tag_id = n.tag_id AND f.first_time <= n.last_time "
    "AND f.last_time >= n.first_time JOIN files USING (file_id)"
)


@dataclass(frozen=True, slots=True)
class Change:
    """Masks over a batch, and the row numbers of stored samples that it replaces.

    `outdated` are those of `unchanged` that differ from what a file written later brought.
    """

    replaced: Mask
    unchanged: Mask
    outdated: Mask
    gone: npt.NDArray[np.int64]

    def undone(self) -> Change:
        """Return a change that leaves in the store what is there."""
        nothing = np.zeros_like(self.replaced)
        return Change(nothing, self.replaced | self.unchanged, nothing, self.gone[:0])


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


def compare(store: Store, batch: Batch, ids: Ids, spans: pl.DataFrame, written_ns: int) -> Change:
    """Find what the store has of `batch`, looking only at tags whose files' spans overlap.

    A differing sample within the span of a file written after `written_ns` stays in the store.
    """
    replaced, unchanged, outdated = (np.zeros(len(batch), np.bool_) for _ in range(3))
    gone: list[npt.NDArray[np.int64]] = [np.empty(0, np.int64)]
    overlapping = _overlapping(store, spans)
    if not overlapping:
        return Change(replaced, unchanged, outdated, gone[0])
    later = _later_spans(store, spans, written_ns)
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
        stays = hit & ~same & _within(time, later.get(int(tag_id), []))
        new = hit & ~same & ~stays
        replaced[piece], unchanged[piece], outdated[piece] = new, hit & ~new, stays
        gone.append(old.rowid[mine][at[new]])
    return Change(replaced, unchanged, outdated, np.concatenate(gone))


def _within(time_us: npt.NDArray[np.int64], spans: Sequence[tuple[int, int]]) -> Mask:
    inside = np.zeros(len(time_us), np.bool_)
    for first, last in spans:
        inside |= (time_us >= first) & (time_us <= last)
    return inside


def _later_spans(
    store: Store, spans: pl.DataFrame, written_ns: int
) -> dict[int, list[tuple[int, int]]]:
    """Return for each tag the overlapping spans of files written later, in UTC microseconds."""
    with store.view("spans", spans):
        rows = store.connection.execute(
            f"SELECT f.tag_id, epoch_us(f.first_time), epoch_us(f.last_time) FROM {_OVERLAPS} "
            "WHERE written_ns > ?",
            [written_ns],
        ).fetchall()
    found: dict[int, list[tuple[int, int]]] = {}
    for tag_id, first, last in rows:
        found.setdefault(int(tag_id), []).append((int(first), int(last)))
    return found


def overlapping_files(
    store: Store, spans: pl.DataFrame, written_ns: int, *, later: bool
) -> list[str]:
    """Return the names of files that overlap with spans, oldest first.

    Args:
        later: of those written after `written_ns`; else of the others.
    """
    with store.view("spans", spans):
        rows = store.connection.execute(
            f"SELECT DISTINCT name, file_id FROM {_OVERLAPS} "
            "WHERE (coalesce(written_ns, 0) > ?) = ? ORDER BY file_id",
            [written_ns, later],
        ).fetchall()
    return list(dict.fromkeys(str(name) for name, _ in rows))


def _overlapping(store: Store, spans: pl.DataFrame) -> list[int]:
    """Return the tags of which an earlier file has samples within this batch's span."""
    with store.view("spans", spans):
        rows = store.connection.execute(f"SELECT DISTINCT n.tag_id FROM {_OVERLAPS}").fetchall()
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
