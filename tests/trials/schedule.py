"""Which row the controller fires when: by interval, in turn or staggered, with pauses on demand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from trials.rows import HeaderPlan, Kind

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
SCAN_S = 0.025  # a timer ends at the next program scan; chosen
PAUSE_S = (240.0, 900.0)  # between two runs of cleaning on demand; chosen


@dataclass(frozen=True, slots=True)
class Schedule:
    """Calls in order of time, shape (n,) each; rows count from 1. Lasts `seconds`."""

    seconds: float
    fire_s: Floats
    row: Ints
    order: tuple[int, ...]


def draw_schedule(
    rng: np.random.Generator,
    header: HeaderPlan,
    *,
    seconds: float,
    interval_s: float,
    is_locked: bool,
    has_pauses: bool,
) -> Schedule:
    """Draw the calls of one trial; rows that are not called are passed over.

    is_locked: the timer keeps whole intervals to the microsecond; else a scan time is added.
    """
    order = firing_order(len(header.rows), is_staggered=bool(rng.random() < 0.5))
    called = [row for row in order if header.rows[row - 1].kind is not Kind.NOT_CALLED]
    n = int(seconds / interval_s) + 1
    gaps = np.full(n, interval_s) + (0.0 if is_locked else SCAN_S) * rng.random(n)
    if has_pauses:
        ends = np.cumsum(rng.integers(len(called), 3 * len(called), n))
        ends = ends[ends < n]
        pause_s = rng.uniform(*PAUSE_S, ends.size)
        gaps[ends] += np.round(pause_s / interval_s) * interval_s if is_locked else pause_s
    fire_s = float(rng.uniform(1.0, 1.0 + interval_s)) + np.concatenate(([0.0], np.cumsum(gaps)))
    fire_s = np.round(fire_s[fire_s < seconds - 1.0], 6)
    row = np.array(called, np.int64)[np.arange(fire_s.size) % len(called)]
    return Schedule(seconds, fire_s, row, tuple(order))


def firing_order(n_rows: int, *, is_staggered: bool) -> list[int]:
    """Rows in turn, or every third one (1, 4, 7, 2, 5, 8, ...)."""
    stride = 3 if is_staggered else 1
    return [row for first in range(1, stride + 1) for row in range(first, n_rows + 1, stride)]
