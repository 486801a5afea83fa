"""The numbers of tags: given once, and the order in which a batch goes to the store."""

from __future__ import annotations

import numpy as np

from rowcall.errors import StoreError
from rowcall.store.batch import Batch
from rowcall.store.comparing import Ids
from rowcall.store.connection import Store
from rowcall.store.samples import tag_ids

_MAX_TAGS = 65_535  # tag_id is a USMALLINT


def number_tags(store: Store, names: tuple[str, ...]) -> list[int]:
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


def in_store_order(batch: Batch, ids: list[int]) -> tuple[Batch, Ids]:
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
