"""Sampling in step with the pulses: points that meet them at few phases show no curve."""

from __future__ import annotations

import numpy as np

from rowcall.events.firing.recorded import Fires
from rowcall.model import Signal

_PHASES, _MAX_UNSEEN = 20, 11  # chosen: of 20 phases of a fire's time, 12 in a row unseen


def is_in_step(header: Signal, fires: Fires) -> bool:
    """Return whether the sampling meets the pulses at so few phases that no curve shows.

    So it is where the period of the one is a multiple of the other's, to within what drifts in a
    day: then the header is never seen at rest, or never soon after a fire.
    """
    if fires.size < 2:
        return False
    interval = float(np.median(np.diff(fires.low_s)))
    fire = np.searchsorted(fires.low_s, header.time_s, side="right") - 1
    phase = (header.time_s - fires.low_s[np.maximum(fire, 0)])[fire >= 0] / max(interval, 1e-3)
    count, _ = np.histogram(phase, bins=_PHASES, range=(0.0, 1.0))
    seen = np.flatnonzero(count > 0.1 * count.mean())
    if not seen.size:
        return True
    unseen = np.diff(np.append(seen, seen[0] + _PHASES)) - 1
    return bool(unseen.max() > _MAX_UNSEEN)
