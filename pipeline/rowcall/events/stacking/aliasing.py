"""Sampling in step with the pulses: points that meet them at few phases show no curve."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.recorded import Fires
from rowcall.events.passed import passed
from rowcall.model import Floats, Signal

Ints = npt.NDArray[np.int64]

_WINDOW_S = 0.5  # chosen: a usual refill of 3-15 s changes little within it
_MIN_PEERS = 4  # rows; chosen: of fewer, one that is faulty passes for what is usual
_MIN_MET = 0.7  # chosen: of the rows that chance would bring; in step half or less
_PHASES, _MAX_UNSEEN = 20, 11  # chosen: of 20 phases of a fire's time, 12 in a row unseen


def is_in_step(header: Signal, fires: Fires) -> bool:
    """Return whether the sampling meets the pulses at so few phases that no curve shows.

    So it is where the period of the one is a multiple of the other's, to within what drifts in a
    day: then the header is never seen at rest, or never soon after a fire. Where the one is nearly
    a multiple of a part of the other, each phase is met after a few rows only, always the same, and
    no row can be compared with the others.
    """
    if fires.size < 2:
        return False
    order = np.argsort(fires.low_s, kind="stable")  # of pulses that a counter missed two may swap
    low_s, row = fires.low_s[order], fires.by_row()[1][order]
    interval = float(np.median(np.diff(low_s)))
    fire = passed(header.time_s, low_s) - 1
    phase = (header.time_s - low_s[np.maximum(fire, 0)])[fire >= 0] / max(interval, 1e-3)
    if _is_apart(phase[phase < 1.0] * interval, row[fire[fire >= 0][phase < 1.0]], interval):
        return True
    count, _ = np.histogram(phase, bins=_PHASES, range=(0.0, 1.0))
    seen = np.flatnonzero(count > 0.1 * count.mean())
    if not seen.size:
        return True
    unseen = np.diff(np.append(seen, seen[0] + _PHASES)) - 1
    return bool(unseen.max() > _MAX_UNSEEN)


def _is_apart(since_s: Floats, row: Ints, interval_s: float) -> bool:
    """Return whether the points of a usual row lie at phases that few other rows have points at."""
    n_rows, n_windows = int(row.max(initial=0)) + 1, int(interval_s / _WINDOW_S) + 1
    window = np.minimum((since_s / _WINDOW_S).astype(np.int64), n_windows - 1)
    count = np.bincount(row * n_windows + window, minlength=n_rows * n_windows)
    count = count.reshape(n_rows, n_windows)
    near = count > 0
    near = near | np.roll(near, 1, axis=1) | np.roll(near, -1, axis=1)
    n_points = count.sum(axis=1)
    missed = (1.0 - min(3.0 / n_windows, 1.0)) ** n_points
    by_chance = n_rows - 1.0 - (missed.sum() - missed)
    peers = (count * (near.sum(axis=0) - 1.0)).sum(axis=1) / np.maximum(n_points, 1)
    usual = float(np.median(peers))
    return usual < _MIN_PEERS and usual < _MIN_MET * float(np.median(by_chance))
