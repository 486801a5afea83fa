"""What a historian keeps of the calls: a bit a row, on change or scanned, or a counter scanned."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from trials.conditions import Condition
from trials.schedule import Floats, Schedule

PULSE_S = 0.1  # electrical on-time
SCAN_S = 1.0  # of bits and counters
LATCH_S = 2.5  # a latched bit is held for this long; chosen: two scans

COUNTER = "BH1.YI-112"


def bit_tag(row: int, compartment: int = 1) -> str:
    """Name of the bit of a row."""
    return f"BH1.YS-{compartment}{row:02d}"


def keep_calls(
    rng: np.random.Generator, condition: Condition, schedule: Schedule, compartment: int = 1
) -> Iterator[tuple[str, Floats, Floats]]:
    """Yield name, times [s since the start, on the clock of the bits] and values of every tag."""
    stamp_s = stamped(rng, condition, schedule)
    rows = sorted(schedule.order)
    if condition.rows_by == "bits on change":
        for row in rows:
            yield (
                bit_tag(row, compartment),
                *_by_change(stamp_s[schedule.row == row], schedule.seconds),
            )
        return
    n_scans = int(schedule.seconds / SCAN_S) - 1
    scan_s: Floats = SCAN_S * (float(rng.random()) + np.arange(n_scans, dtype=np.float64))
    if condition.rows_by == "scanned counter":
        last = np.searchsorted(stamp_s, scan_s, side="right") - 1
        number = np.where(last >= 0, schedule.row[np.maximum(last, 0)], 0)
        yield COUNTER, scan_s, number.astype(np.float64)
        return
    hold_s = PULSE_S if condition.rows_by == "scanned bits" else LATCH_S
    for row in rows:
        mine = stamp_s[schedule.row == row]
        last = np.searchsorted(mine, scan_s, side="right") - 1
        since_s = scan_s - (mine[np.maximum(last, 0)] if mine.size else np.inf)
        yield (
            bit_tag(row, compartment),
            scan_s,
            ((last >= 0) & (since_s < hold_s)).astype(np.float64),
        )


def stamped(rng: np.random.Generator, condition: Condition, schedule: Schedule) -> Floats:
    """Instants of the calls by the clock of the bits, as stamped."""
    offset_s = float(rng.uniform(-1.0, 1.0)) * condition.offset_s
    drift = float(rng.uniform(-1.0, 1.0)) * condition.drift_s_day / 86_400.0
    at_s = schedule.fire_s * (1.0 + drift) + offset_s
    if condition.set_by_s:
        when_s = float(rng.uniform(0.25, 0.75)) * schedule.seconds
        at_s = at_s + np.where(at_s > when_s, float(rng.uniform(-1.0, 1.0)) * condition.set_by_s, 0)
    if condition.stamp_s:
        at_s = condition.stamp_s * np.floor(at_s / condition.stamp_s)
    return np.round(at_s, 3)


def _by_change(rise_s: Floats, seconds: float) -> tuple[Floats, Floats]:
    """Edges of one bit, with its value at the start."""
    at_s = np.column_stack((rise_s, rise_s + PULSE_S)).ravel()
    value = np.tile([1.0, 0.0], rise_s.size)
    inside = (at_s > 0.0) & (at_s < seconds)
    return np.concatenate(([0.0], at_s[inside])), np.concatenate(([0.0], value[inside]))
