"""Samples as flat arrays on their way to the store: sorted, one an instant, cut at the tags."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.store.batch import Batch


@dataclass(frozen=True, slots=True)
class Flat:
    """One entry a sample: the number of its tag, the line it is from, UTC microseconds, value."""

    tag: npt.NDArray[np.uint32]
    line: npt.NDArray[np.int64]
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]

    def take(self, places: npt.NDArray[np.int64] | npt.NDArray[np.bool_]) -> Flat:
        """Return some of the entries, in the order of `places`."""
        return Flat(
            self.tag[places],
            self.line[places],
            self.time_us[places],
            self.value[places],
            self.quality[places],
        )

    @classmethod
    def joined(cls, flats: Sequence[Flat]) -> Flat:
        """Return the entries of several, one after the other."""
        return cls(
            np.concatenate([flat.tag for flat in flats]),
            np.concatenate([flat.line for flat in flats]),
            np.concatenate([flat.time_us for flat in flats]),
            np.concatenate([flat.value for flat in flats]),
            np.concatenate([flat.quality for flat in flats]),
        )


@dataclass(frozen=True, slots=True)
class Sorted:
    """Samples by tag and time, one an instant; `counts` has their number for each tag number."""

    counts: npt.NDArray[np.int64]
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    quality: npt.NDArray[np.uint8]


def sort_once(flat: Flat) -> tuple[Sorted, Flat]:
    """Return the entries sorted by tag and time, and apart those that a later line repeats.

    Tags and lines are not carried along: that would be half of the work on the usual export.
    """
    counts = np.bincount(flat.tag).astype(np.int64)
    order = None if _rises(flat) else _order(flat)
    time_us = flat.time_us if order is None else flat.time_us[order]
    repeated = time_us[1:] == time_us[:-1]
    firsts = np.cumsum(counts)[:-1]  # of each tag but the first
    repeated[firsts[(firsts > 0) & (firsts < len(time_us))] - 1] = False
    doubles = flat.take(np.empty(0, np.int64))
    if repeated.any():
        again = np.append(repeated, False)
        order = np.arange(len(time_us)) if order is None else order
        doubles, order, time_us = flat.take(order[again]), order[~again], time_us[~again]
        counts -= np.bincount(doubles.tag, minlength=len(counts))
    if order is None:
        return Sorted(counts, time_us, flat.value, flat.quality), doubles
    return Sorted(counts, time_us, flat.value[order], flat.quality[order]), doubles


def _rises(flat: Flat) -> bool:
    same = flat.tag[1:] == flat.tag[:-1]
    if not (same | (flat.tag[1:] > flat.tag[:-1])).all():
        return False
    return bool((~same | (flat.time_us[1:] >= flat.time_us[:-1])).all())


def _order(flat: Flat) -> npt.NDArray[np.int64]:
    """Return the order by tag, time and line.

    Rows that rise in time already need only a stable sort by tag, and that takes a pass or two
    over numbers of 8 or 16 bits.
    """
    if (flat.time_us[1:] >= flat.time_us[:-1]).all():
        return np.argsort(
            flat.tag.astype(np.min_scalar_type(flat.tag.max(initial=0))), kind="stable"
        )
    return np.lexsort((flat.time_us, flat.tag))


def batch_of(kept: Sorted, names: Sequence[str]) -> Batch:
    """Cut sorted entries at the tags; infinities become NaN, and tags without samples go."""
    present = np.flatnonzero(kept.counts)
    value = kept.value
    if np.isinf(value).any():
        value = np.where(np.isinf(value), np.nan, value)
    return Batch(
        tuple(names[place] for place in present.tolist()),
        np.concatenate([[0], np.cumsum(kept.counts[present])]).astype(np.int64),
        kept.time_us,
        value,
        kept.quality,
    )


def no_samples() -> Batch:
    """Return a batch of nothing."""
    none = np.empty(0, np.int64)
    return batch_of(Sorted(none, none, np.empty(0, np.float64), np.empty(0, np.uint8)), ())
