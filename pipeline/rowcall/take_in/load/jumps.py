"""Where the time runs back within an export: a clock that was set back, or pieces put together."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

# Stamps of one scan lie seconds apart, and clocks are steered by less; chosen.
STEP_BACK_US = 60_000_000


def find_jumps(
    time_us: npt.NDArray[np.int64], sequence: npt.NDArray[np.integer] | None
) -> npt.NDArray[np.int64]:
    """Return the rows before which the time of their tag runs back by more than a minute.

    Args:
        time_us: UTC instants in file order, so that the doubled hour of autumn is no jump.
        sequence: the number of the tag of each row; None where the rows are one sequence.

    A file written newest first is read from its end.
    """
    earlier, later = time_us[:-1], time_us[1:]
    if (later >= earlier).all() or (later <= earlier).all():
        return np.empty(0, np.int64)
    if sequence is not None and _rises_in_each(sequence, later >= earlier):
        return np.empty(0, np.int64)
    steps = later - earlier
    order = np.arange(len(time_us))
    if sequence is not None:
        order = np.argsort(sequence, kind="stable")
        steps = np.diff(time_us[order])[np.diff(sequence[order]) == 0]
    falling = bool((steps < 0).sum() > (steps > 0).sum())
    if falling:
        order = order[::-1]
    back = np.diff(time_us[order]) < -STEP_BACK_US
    if sequence is not None:
        back &= np.diff(sequence[order]) == 0
    return np.sort(order[1:][back])


def _rises_in_each(sequence: npt.NDArray[np.integer], rises: npt.NDArray[np.bool_]) -> bool:
    """True where the tags come one after the other, and each one's times rise."""
    before, after = sequence[:-1], sequence[1:]
    return bool(((after > before) | ((after == before) & rises)).all())
