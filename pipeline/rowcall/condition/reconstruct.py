"""Reconstruction: what a tag was between its points, and how far from that it may have been."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.condition.sampling import LONGEST_COMPRESSED_S, LONGEST_STEP_S
from rowcall.model import Floats


@dataclass(frozen=True, slots=True)
class Reconstructed:
    """Values at asked instants, nan where nothing is known, and the bound of their error.

    `error` is in the unit of `value`: 0 at a point, the dead-band between two (inf where it is not
    known), nan where there is no value.
    """

    value: Floats
    error: Floats


def compressed_at(
    time_s: Floats,
    value: Floats,
    at_s: Floats,
    *,
    dead_band: float | None = None,
    longest_s: float = LONGEST_COMPRESSED_S,
) -> Reconstructed:
    """Reconstruct a thinned tag along the straight line between its points.

    The bound is that of a historian which keeps a point as soon as a sample since the last one
    lies more than the dead-band off the straight line. One that tests the opening of two doors
    hung a dead-band above and below the last point keeps fewer points, and may be off by twice as
    much: give it twice its dead-band.

    Args:
        time_s, value: the points, shape (n,), `time_s` strictly rising.
        at_s: the instants asked for, any shape and order.
        dead_band: of the compression, in the unit of `value`; None where it is not known.
        longest_s: two points further apart have a gap between them, which is not bridged.
    """
    line = linear_at(time_s, value, at_s, longest_s=longest_s)
    is_point = np.isin(at_s, time_s)
    between = np.inf if dead_band is None else dead_band
    error = np.where(np.isnan(line), np.nan, np.where(is_point, 0.0, between))
    return Reconstructed(line, error)


def linear_at(time_s: Floats, value: Floats, at_s: Floats, *, longest_s: float) -> Floats:
    """Return values on the straight line between points not more than `longest_s` apart.

    Nothing is known before the first point, after the last, and within a gap.
    """
    if not time_s.size:
        return np.full(np.shape(at_s), np.nan)
    after = np.searchsorted(time_s, at_s)
    left, right = _neighbours(after, time_s.size)
    # At a point itself `right` is that point, whatever lies to its left.
    is_point = (after < time_s.size) & (time_s[right] == at_s)
    inside = (after > 0) & (after < time_s.size) & (time_s[right] - time_s[left] <= longest_s)
    return np.where(is_point | inside, np.interp(at_s, time_s, value), np.nan)


def held_at(
    time_s: Floats, value: Floats, at_s: Floats, *, longest_s: float = LONGEST_STEP_S
) -> Floats:
    """Return the value of the last point at or before each instant, not older than `longest_s`."""
    if not time_s.size:
        return np.full(np.shape(at_s), np.nan)
    past = np.searchsorted(time_s, at_s, side="right")
    last, _ = _neighbours(past, time_s.size)
    is_held = (past > 0) & (at_s - time_s[last] <= longest_s)
    return np.where(is_held, value[last], np.nan)


def _neighbours(
    after: npt.NDArray[np.intp], count: int
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    return np.clip(after - 1, 0, None), np.clip(after, None, count - 1)
