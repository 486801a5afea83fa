"""How far a point speaks for the time around it, by how its tag is sampled.

This is the one place of these limits. A snapshot says what was at its instant; the minute table
runs a straight line to the next one only where none is missing. A step holds until the next one,
as it is recorded whenever it changes. A compressed tag runs straight between its points: the
historian left out what lies within its dead-band of that line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from rowcall.site import Sample

GAP_STEPS = 5.0  # chosen: a snapshot tag that misses five of its own steps has a gap
GAP_SHORTEST_S = 60.0  # chosen: and never in less than a minute
LONGEST_BRIDGE_S = 600.0  # chosen: between snapshots, no line over more than ten minutes
LONGEST_COMPRESSED_S = 4 * 3600.0  # chosen: historians force a point at least every few hours
# Chosen: a day's first value is often of the day before; after two days a live historian has
# stored another one.
LONGEST_STEP_S = 2 * 86_400.0


@dataclass(frozen=True, slots=True)
class Reach:
    """Limits of a tag [s]: longer without a point is a gap; no line is longer than a bridge."""

    gap_s: float
    bridge_s: float


def reach(sample: Sample, step_s: float) -> Reach:
    """Return the limits of a tag.

    Args:
        step_s: median time between its points [s], nan where there are fewer than two.
    """
    if sample is Sample.STEP:
        return Reach(LONGEST_STEP_S, 0.0)
    if sample is Sample.COMPRESSED:
        return Reach(LONGEST_COMPRESSED_S, LONGEST_COMPRESSED_S)
    gap_s = max(GAP_STEPS * step_s, GAP_SHORTEST_S) if math.isfinite(step_s) else GAP_SHORTEST_S
    return Reach(gap_s, min(gap_s, LONGEST_BRIDGE_S))
