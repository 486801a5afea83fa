"""Runs of one and the same value of a tag."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats

FLAT_S = 600.0  # chosen: shorter runs are no matter of transmitters


class FlatRuns(NamedTuple):
    """Runs of `FLAT_S` or longer, shape (n,) each: instants [s], value, points [first, last)."""

    begin_s: Floats
    end_s: Floats
    value: Floats
    first: npt.NDArray[np.intp]
    last: npt.NDArray[np.intp]

    def mostly(self, mask: npt.NDArray[np.bool_]) -> FlatRuns:
        """Return the runs of which a mask of all points holds for more than half."""
        spans = zip(self.first.tolist(), self.last.tolist(), strict=True)
        return self.where(np.array([mask[a:b].mean() > 0.5 for a, b in spans], np.bool_))

    def where(self, holds: npt.NDArray[np.bool_]) -> FlatRuns:
        """Return some of the runs."""
        return FlatRuns(
            self.begin_s[holds],
            self.end_s[holds],
            self.value[holds],
            self.first[holds],
            self.last[holds],
        )


def flat_runs(time_s: Floats, value: Floats) -> FlatRuns:
    """Return the runs of points, in order of time, whose values are equal to the last digit."""
    edges = np.flatnonzero(np.diff(value[1:] == value[:-1], prepend=False, append=False))
    first, last = edges[::2], edges[1::2] + 1
    long = time_s[last - 1] - time_s[first] >= FLAT_S
    first, last = first[long], last[long]
    return FlatRuns(time_s[first], time_s[last - 1], value[first], first, last)
