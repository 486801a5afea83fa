"""Times that lie far from all others of an export of some days: a clock that was not set."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.take_in.cells.wall_time import DAY_US
from rowcall.take_in.load.flat import Flat

Longs = npt.NDArray[np.int64]
Bulk = tuple[int, int]  # the first and last instant, UTC microseconds

_FAR_US = 28 * DAY_US  # without a row; chosen: longer than a stop, shorter than a month mistaken
_MAX_BULK_US = 31 * DAY_US  # a longer export is a history, in which gaps are honest. Chosen.
_MIN_ROWS, _MAX_SHARE = 20, 0.05  # of the bulk; of rows elsewhere. Chosen: fewer are no bulk.
# A tag recorded on change often comes with its last value before the span: one row. Chosen.
_MAX_VALUE_AGE_US = 366 * DAY_US


class Spans:
    """Finds over all tables the spans of time that lie apart, and how many rows each holds."""

    def __init__(self) -> None:
        self._spans: list[tuple[int, int, float]] = []  # first, last, rows

    def add(self, time_us: Longs, n_values: int) -> None:
        """Add the instants of a table, `n_values` of them a row at most."""
        if not len(time_us):
            return
        first, last = int(time_us.min()), int(time_us.max())
        found = [(first, last, len(time_us) / n_values)]
        if last - first > _FAR_US:
            ordered = np.sort(time_us)
            pieces = np.split(ordered, np.flatnonzero(np.diff(ordered) > _FAR_US) + 1)
            found = [(int(one[0]), int(one[-1]), len(one) / n_values) for one in pieces]
        merged: list[tuple[int, int, float]] = []
        for span in sorted([*self._spans, *found]):
            if merged and span[0] - merged[-1][1] <= _FAR_US:
                before = merged.pop()
                merged.append((before[0], max(before[1], span[1]), before[2] + span[2]))
            else:
                merged.append(span)
        self._spans = merged

    def bulk(self) -> Bulk | None:
        """Return the span of nearly all rows, None where no row lies elsewhere or none is one."""
        if len(self._spans) < 2:
            return None
        first, last, rows = max(self._spans, key=lambda span: span[2])
        elsewhere = sum(span[2] for span in self._spans) - rows
        is_bulk = last - first <= _MAX_BULK_US and rows >= _MIN_ROWS
        return (first, last) if is_bulk and elsewhere <= _MAX_SHARE * rows else None


def strays(
    flat: Flat, bulk: Bulk, own: npt.NDArray[np.uint32], *, is_long: bool
) -> npt.NDArray[np.bool_]:
    """Return a mask of the entries that lie apart from the bulk, of tags with entries in it.

    Not of these is the one row of a tag of the long layout that holds its last value before it.

    Args:
        own: the numbers of the tags with entries in the bulk.
    """
    before = flat.time_us < bulk[0]
    out = (before | (flat.time_us > bulk[1])) & np.isin(flat.tag, own)
    if is_long:
        alone = np.bincount(flat.tag[before], minlength=int(flat.tag.max(initial=0)) + 1) == 1
        out &= ~(before & alone[flat.tag] & (flat.time_us >= bulk[0] - _MAX_VALUE_AGE_US))
    return out
