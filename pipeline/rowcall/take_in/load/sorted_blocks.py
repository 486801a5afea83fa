"""Entries that come piece by piece: each piece sorted by tag, and all of them laid together.

Sorting a piece works in a processor's cache, and pieces that follow one another in time need no
more than being laid end to end, tag by tag. Where they do not, all entries are sorted at once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.take_in.load.flat import Flat, Sorted

_MOST_SLICES = 50_000  # beyond which one sort of everything is quicker. Chosen.


@dataclass(frozen=True, slots=True)
class SortedBlock:
    """Entries sorted by tag, in file order within a tag.

    Attributes:
        counts: how many there are of each tag.
        row: of each, the number in the file.
        time_us, value, quality: as in `Flat`.
    """

    counts: npt.NDArray[np.int64]
    row: npt.NDArray[np.uint32]
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]


def piece_of(flat: Flat) -> SortedBlock:
    """Sort entries that are in file order; there are fewer than 4 billion rows in the file."""
    tag = flat.tag
    order = np.argsort(tag.astype(np.min_scalar_type(tag.max(initial=0))), kind="stable")
    return SortedBlock(
        np.bincount(tag).astype(np.int64),
        flat.row.astype(np.uint32)[order],
        flat.time_us[order],
        flat.value[order],
        flat.quality[order],
    )


def laid_together(pieces: Sequence[SortedBlock]) -> Sorted | None:
    """Return the entries by tag and time, None where the times of a tag do not rise throughout."""
    n_tags = max((len(piece.counts) for piece in pieces), default=0)
    if n_tags * len(pieces) > _MOST_SLICES:
        return None
    counts = np.array([np.pad(p.counts, (0, n_tags - len(p.counts))) for p in pieces])
    counts = counts.reshape(len(pieces), n_tags)
    pasts = np.cumsum(counts, axis=1)
    places = [
        (piece, slice(int(past[tag] - count[tag]), int(past[tag])))
        for tag in range(n_tags)
        for piece, count, past in zip(pieces, counts, pasts, strict=True)
        if count[tag]
    ]
    if not places:
        return None
    time_us = np.concatenate([piece.time_us[place] for piece, place in places])
    rises = time_us[1:] > time_us[:-1]
    firsts = np.cumsum(counts.sum(axis=0))[:-1]  # of each tag but the first
    rises[firsts[(firsts > 0) & (firsts < len(time_us))] - 1] = True
    if not rises.all():
        return None
    return Sorted(
        counts.sum(axis=0),
        time_us,
        np.concatenate([piece.value[place] for piece, place in places]),
        np.concatenate([piece.quality[place] for piece, place in places]),
    )


def in_file_order(pieces: Sequence[SortedBlock]) -> Flat:
    """Return the entries as one, in the order of their rows."""
    tags = [np.repeat(np.arange(len(p.counts), dtype=np.uint32), p.counts) for p in pieces]
    flat = Flat(
        np.concatenate([np.empty(0, np.uint32), *tags]),
        np.concatenate([np.empty(0, np.int64), *(piece.row for piece in pieces)]),
        np.concatenate([np.empty(0, np.int64), *(piece.time_us for piece in pieces)]),
        np.concatenate([np.empty(0, np.float64), *(piece.value for piece in pieces)]),
        np.concatenate([np.empty(0, np.uint8), *(piece.quality for piece in pieces)]),
    )
    return flat.take(np.argsort(flat.row, kind="stable"))
