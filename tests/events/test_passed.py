"""Pulses passed by each point: at or before it, also where both or several pulses coincide."""

from __future__ import annotations

import numpy as np

from rowcall.events.passed import passed


def test_pulses_at_or_before_a_point_are_passed() -> None:
    at_s, fired_s = np.arange(6.0), np.array([-1.0, 1.0, 1.5, 1.5, 4.0, 9.0])
    np.testing.assert_array_equal(passed(at_s, fired_s), [1, 2, 4, 4, 5, 5])
    np.testing.assert_array_equal(passed(at_s, np.empty(0)), np.zeros(6))
