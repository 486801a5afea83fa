"""What the pulses of a row leave for the next fire: the deficit that is still to be made good."""

from __future__ import annotations

import numpy as np

from rowcall.events.stacking.types import Remnants, Stack

_FEWEST_LEFT = 8  # chosen: points that tell what a row leaves for the next fire
_LATE = 0.75  # chosen: share of the time to the next fire from which they are taken


def remnants_of(stack: Stack, usual_s: float) -> Remnants:
    """What the pulses of each row leave, from the points in the last quarter of their time."""
    points, course = stack.overlay, stack.course
    row, n_rows = points.row_of_point, len(points.rows)
    late = (points.since_s >= _LATE * usual_s) & (points.since_s < usual_s)
    count = np.bincount(row[late], minlength=n_rows)
    total = np.bincount(row[late], points.whole[late], n_rows)
    since = np.bincount(row[late], points.since_s[late], n_rows)
    mean, at_s = total / np.maximum(count, 1), since / np.maximum(count, 1)
    fitted = stack.made * np.exp(-usual_s / stack.curve.tau_s)
    left = np.where(count >= _FEWEST_LEFT, course.after(mean, usual_s - at_s), fitted)
    return Remnants(np.where(left > 0, left, 0.0), stack.made, usual_s, course)
