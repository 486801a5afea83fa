"""The course of a refill: led on from any deficit, whatever its law."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from rowcall.events.stacking.pulse_curve import PulseCurve
from rowcall.events.stacking.recovery_path import RecoveryPath, drops_along, measured_path
from rowcall.model import Floats

Law = Callable[[float, Floats], Floats]
SINCE_S = np.arange(0.05, 20.0, 0.2)
CLOSE_S = 0.1
PLAIN = np.array([True, True, False])


def orifice(deficit: float, after_s: Floats, full_s: float = 14.0) -> Floats:
    """Refill through an orifice: the root of the deficit falls in a straight line."""
    root = np.sqrt(deficit) - np.sqrt(0.2) * after_s / full_s
    lacks: Floats = np.maximum(root, 0.0) ** 2
    return lacks


def exponential(deficit: float, after_s: Floats) -> Floats:
    lacks: Floats = deficit * np.exp(-after_s / 4.0)
    return lacks


def measured(law: Law, deep: float = 0.7) -> RecoveryPath:
    """The course of two sound rows and one whose valve hung till 1.2 s."""
    after_s = np.maximum(SINCE_S - CLOSE_S, 0.0)
    reference = law(0.2, after_s)
    hung = np.where(after_s < 1.2, deep, law(deep, np.maximum(after_s - 1.2, 0.0)))
    curve = PulseCurve(0.2, CLOSE_S, 4.0, 0.0)
    count = np.full((3, SINCE_S.size), 10.0)
    return measured_path(SINCE_S, count, np.stack((reference, reference, hung)), PLAIN, curve)


@pytest.mark.parametrize("law", [orifice, exponential])
@pytest.mark.parametrize("deficit", [0.05, 0.15, 0.3, 0.6])
def test_a_deficit_is_made_good_along_the_law_of_the_header(law: Law, deficit: float) -> None:
    after_s = np.array([0.5, 2.0, 5.0])
    lacks = measured(law).after(np.full(3, deficit), after_s)
    assert lacks == pytest.approx(law(deficit, after_s), abs=0.012)


def test_the_drop_is_told_from_what_a_hanging_valve_had_left() -> None:
    path, after_s = measured(orifice), np.maximum(SINCE_S - CLOSE_S, 0.0)
    left, row_drop = np.array([0.3, 0.3, 0.0]), np.array([0.0, 0.1, 0.2])
    both = left + (1 - left) * row_drop
    total_deficit = np.stack([orifice(one, after_s) for one in both.tolist()])
    told = drops_along(path, after_s, np.ones_like(total_deficit), total_deficit, left)
    assert told == pytest.approx(row_drop, abs=0.02)


def test_without_points_the_fitted_curve_stands_in() -> None:
    curve, nothing = PulseCurve(0.2, CLOSE_S, 4.0, 0.0), np.zeros((3, SINCE_S.size))
    path = measured_path(SINCE_S, nothing, nothing, PLAIN, curve)
    after_s = np.array([0.0, 3.0, 30.0])
    assert path.after(np.full(3, 0.2), after_s) == pytest.approx(exponential(0.2, after_s))


def test_one_bin_out_of_line_does_not_pull_down_the_others() -> None:
    curve, count = PulseCurve(0.2, CLOSE_S, 4.0, 0.0), np.full((3, SINCE_S.size), 10.0)
    mean = exponential(0.2, np.maximum(SINCE_S - CLOSE_S, 0.0))
    mean[1] *= 0.7
    path = measured_path(SINCE_S, count, np.stack((mean, mean, mean)), PLAIN, curve)
    assert path.after(np.array([0.15]), np.array([2.0])) == pytest.approx(0.091, abs=0.004)
