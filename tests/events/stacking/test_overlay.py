"""What is put back where the scan of a drop was lost is no point of its pulse."""

from __future__ import annotations

import numpy as np
from trials.keeping import dead_band

from rowcall.condition.sampling import LONGEST_COMPRESSED_S
from rowcall.events.firing.recorded import Fires
from rowcall.events.stacking.decompress import filled_in
from rowcall.events.stacking.overlay import points_of, stack_points
from rowcall.model import Signal

LOST, SILENT = 10, 20  # pulses


def test_scans_put_back_before_a_much_lower_point_are_left_out() -> None:
    at_s = np.arange(0.0, 1_800.0, 1.0)
    since_s, number = np.mod(at_s - 4.5, 20.0), (at_s - 4.5) // 20.0
    fall = np.where((number < 0) | (number == SILENT), 0.0, 90_000.0 * np.exp(-since_s / 3.0))
    value = 600_000.0 - fall
    here = ~((number == LOST) & (since_s < 2.0))  # two scans of one drop are lost
    kept = dead_band(at_s[here], value[here], 3_000.0)
    header = Signal(at_s[here][kept], value[here][kept], bridge_s=LONGEST_COMPRESSED_S)
    fire_s = 4.5 + 20.0 * np.arange(89)
    one = np.ones(fire_s.size, np.int64)
    fires = Fires(fire_s, fire_s, one, one)
    points = stack_points(points_of(filled_in(header), fires), fires, None)
    assert points is not None
    first_s = np.full(fire_s.size, np.inf)
    np.minimum.at(first_s, points.fire, points.since_s)
    assert first_s[LOST] == 2.5
    assert first_s[LOST + 1] == first_s[SILENT] == 0.5
