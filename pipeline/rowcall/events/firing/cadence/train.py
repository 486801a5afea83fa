"""One even train of beats in the drops of a header, or why there is none."""

from __future__ import annotations

import numpy as np

from rowcall.events.firing.cadence.beat import Bouts, common_interval, find_bouts
from rowcall.events.firing.cadence.drops import Falls, find_peaks
from rowcall.events.firing.cadence.grid import Grid, beat_grid, on_beat, with_measured_noise
from rowcall.events.firing.cadence.missing_beats import without_rests

_MIN_DROPS = 20  # chosen: fewer do not make a cadence
# Of the interval; chosen: samples further apart cannot separate neighbouring beats
_MAX_STEP = 0.55
_FINE_S = 2.5  # samples closer than this see every drop; chosen: a recovery constant and more
_MAX_FOLDED = 4.0  # times the set interval: further off, coarse samples have folded it; chosen
_MIN_EXPLAINED = 0.9  # share of the drops that must lie on a beat; chosen: a tenth may be noise
_MAX_LOST = 0.35  # share of the beats that may have no drop; chosen: a third of the rows
# Share of the beats that must be observable; chosen: with less, most rows stay unknown
_MIN_OBSERVABLE = 0.5


def find_train(
    falls: Falls, n_rows: int, set_interval_s: float | None = None
) -> tuple[Grid | None, str]:
    """Return the beats of the day, or None and why there are none.

    Args:
        n_rows: rows of a round; longer stretches without a drop are rests.
        set_interval_s: set interval [s], against which coarse samples are checked.
    """
    if set_interval_s is not None and falls.step_s > _MAX_STEP * set_interval_s:
        return None, _too_far(falls.step_s, f"a set interval of {set_interval_s:.3g} s")
    bouts, reason = _bouts(falls, n_rows)
    if bouts is not None:
        falls = with_measured_noise(falls, bouts)
        bouts, reason = _bouts(falls, n_rows)
    if bouts is None:
        return None, reason
    grid, found_s = (
        without_rests(beat_grid(falls, bouts), n_rows),
        float(np.median(bouts.interval_s)),
    )
    if (
        set_interval_s is not None
        and falls.step_s > _FINE_S
        and found_s > _MAX_FOLDED * set_interval_s
    ):
        return None, (
            f"drops every {found_s:.3g} s do not fit the set interval of {set_interval_s:.3g} s; "
            f"samples every {falls.step_s:.3g} s may fold a faster cadence"
        )
    reason = why_not(falls, grid)
    return (None, reason) if reason else (grid, "")


def why_not(falls: Falls, *grids: Grid) -> str:
    """Say why one train, or several together, do not explain the drops; empty where they do."""
    if min(grid.time_s.size for grid in grids) < 2:
        return "its drops keep no even cadence"
    every = " and ".join(f"{float(np.median(grid.interval_s)):.3g}" for grid in grids)
    kept = on_beat(falls, find_peaks(falls), *grids)
    if kept < _MIN_EXPLAINED:
        return f"only {kept:.0%} of its drops keep one cadence, every {every} s"
    for grid in grids:
        if float(np.mean(grid.observable)) < _MIN_OBSERVABLE:
            return f"only {np.mean(grid.observable):.0%} of its beats fall near enough to a sample"
        lost = float(np.mean(~grid.seen[grid.observable]))
        if lost > _MAX_LOST:
            return (
                f"{lost:.0%} of the beats of its cadence, every {every} s, have no drop: either "
                "that many rows are silent, or they are not fired evenly"
            )
    return ""


def _bouts(falls: Falls, n_rows: int) -> tuple[Bouts | None, str]:
    """Return the drops that keep a cadence, or None and why there are none."""
    drops = find_peaks(falls)
    if drops.size < _MIN_DROPS:
        return None, f"only {drops.size} drops of header pressure stand out of its noise"
    interval_s = common_interval((falls.low_s + falls.high_s)[drops] / 2, falls.step_s)
    if interval_s is None:
        return None, f"its {drops.size} drops keep no even cadence"
    if falls.step_s > _MAX_STEP * interval_s:
        return None, _too_far(falls.step_s, f"rows fired every {interval_s:.3g} s or less")
    return find_bouts(falls, drops, interval_s, n_rows), ""


def _too_far(step_s: float, what: str) -> str:
    return f"samples every {step_s:.3g} s lie too far apart for {what}"
