"""Reading samples: a slice of tags and time as numpy arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from rowcall.store.archive.archived import samples_in
from rowcall.store.archive.storage import reading_plainly
from rowcall.store.connection import Store

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

GOOD, UNCERTAIN, BAD = 0, 1, 2  # codes in `samples.quality`

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


@dataclass(frozen=True, slots=True)
class TagSamples:
    """The stored samples of one tag, all arrays of one length.

    Attributes:
        time_us: i64, microseconds since 1970-01-01 UTC, strictly rising.
        value: f64 in the tag's outside unit, NaN where there was no number.
        quality: u8, 0 good, 1 uncertain, 2 bad.
    """

    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]


def naive_utc(instant: datetime) -> datetime:
    """Return an aware instant as the zone-less UTC that TIMESTAMP columns hold."""
    if instant.tzinfo is None:
        raise ValueError(f"{instant} has no time zone")
    return instant.astimezone(UTC).replace(tzinfo=None)


def epoch_us(instant: datetime) -> int:
    """Return an aware instant as whole microseconds since 1970-01-01 UTC."""
    return (instant - _EPOCH) // _MICROSECOND


def from_epoch_us(microseconds: int) -> datetime:
    """Return the aware UTC instant of whole microseconds since 1970-01-01 UTC."""
    return _EPOCH + int(microseconds) * _MICROSECOND


def tag_ids(store: Store, tags: Sequence[str]) -> dict[str, int]:
    """Return the number of each of `tags` that the store has samples of."""
    rows = store.connection.execute(
        "SELECT name, tag_id FROM tags WHERE name IN (SELECT unnest(?::VARCHAR[]))", [list(tags)]
    ).fetchall()
    return {str(name): int(tag_id) for name, tag_id in rows}


def read_samples(
    store: Store, tags: Sequence[str], start: datetime, end: datetime
) -> dict[str, TagSamples]:
    """Return the samples of `tags` with `start <= time < end` (aware instants).

    Every name of `tags` is a key; one that the store does not know has empty arrays.
    """
    import numpy as np

    ids = tag_ids(store, tags)
    with reading_plainly():
        table = store.frame(samples_in(store, ids, epoch_us(start), epoch_us(end)))
    tag = table["tag_id"].to_numpy()
    time = table["time"].to_physical().to_numpy()
    value, quality = table["value"].to_numpy(), table["quality"].to_numpy()
    if not _is_sorted(tag, time):
        order = np.lexsort((time, tag))
        tag, time, value, quality = tag[order], time[order], value[order], quality[order]
    numbers = np.array(list(ids.values()), np.uint16)
    firsts, pasts = np.searchsorted(tag, numbers), np.searchsorted(tag, numbers, side="right")
    pieces = {
        name: slice(int(first), int(past))
        for name, first, past in zip(ids, firsts, pasts, strict=True)
    }
    return {
        name: TagSamples(time[piece], value[piece], quality[piece])
        for name, piece in ((name, pieces.get(name, slice(0, 0))) for name in tags)
    }


def _is_sorted(tag: npt.NDArray[np.uint16], time: npt.NDArray[np.int64]) -> bool:
    """True where rows already rise by tag and time, as one export's rows do."""
    later = tag[1:] > tag[:-1]
    return bool((later | ((tag[1:] == tag[:-1]) & (time[1:] > time[:-1]))).all())


def last_before(
    store: Store, tags: Sequence[str], instant: datetime, *, within: timedelta
) -> dict[str, tuple[int, float, int]]:
    """Return the last sample of each tag before `instant`, not older than `within`.

    A tag without one is left out. Each value is (microseconds since 1970-01-01 UTC, value,
    quality code), as in `TagSamples`.
    """
    ids = tag_ids(store, tags)
    inside = samples_in(store, ids, epoch_us(instant - within), epoch_us(instant))
    with reading_plainly():
        rows = store.connection.execute(
            "SELECT tag_id, epoch_us(max(time)), arg_max(value, time), arg_max(quality, time) "
            f"FROM ({inside}) GROUP BY tag_id"
        ).fetchall()
    by_id = {
        int(tag_id): (int(time), float(value), int(code)) for tag_id, time, value, code in rows
    }
    return {name: by_id[tag_id] for name, tag_id in ids.items() if tag_id in by_id}
