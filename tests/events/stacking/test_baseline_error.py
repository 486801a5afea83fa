"""A level of the supply that was misread shows at the end of refills, whatever law they follow.

The closed forms of both laws are the oracle: exp(-t / tau), and through an orifice the root of the
deficit that falls in a straight line.
"""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.stacking.baseline import level_scatter
from rowcall.events.stacking.baseline_error import level_error
from rowcall.events.stacking.pulse_curve import PulseCurve
from rowcall.model import Floats

SINCE_S = np.concatenate((np.arange(0.05, 3.0, 0.1), np.geomspace(3.0, 14.0, 20)))
COUNT = np.full(SINCE_S.size, 60.0)
CURVE = PulseCurve(0.3, 0.15, 4.0, 0.0)
LAWS = {
    "exponential": lambda t: 0.3 * np.exp(-t / 4.0),
    "orifice": lambda t: 0.3 * np.maximum(1.0 - t / 10.0, 0.0) ** 2,
    "between": lambda t: 0.3 * np.maximum(1.0 - t / 16.0, 0.0) ** 4,
}


def refill(law: str) -> Floats:
    deficit: Floats = LAWS[law](np.maximum(SINCE_S - 0.15, 0.0))
    return deficit


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("off", [-0.02, 0.0, 0.02])
def test_what_refills_end_at_is_the_error_of_the_level(law: str, off: float) -> None:
    noise = np.random.default_rng(8).normal(0.0, 0.0005, SINCE_S.size)
    assert level_error(SINCE_S, COUNT, refill(law) + off + noise, CURVE) == pytest.approx(
        off, abs=0.003
    )


def test_a_refill_cut_short_is_not_taken_for_one_that_ends_above_the_level() -> None:
    """At 1.5 time constants a fifth of the drop still lacks."""
    early = SINCE_S < 6.0
    told = level_error(SINCE_S[early], COUNT[early], refill("exponential")[early], CURVE)
    assert abs(told) < 0.006


def test_few_bins_tell_nothing_of_the_level() -> None:
    few = np.where(np.arange(SINCE_S.size) % 6 == 0, COUNT, 0.0)
    assert level_error(SINCE_S, few, refill("orifice") + 0.02, CURVE) == 0.0


def test_readings_scatter_about_their_neighbours_whatever_the_supply_does_evenly() -> None:
    """A straight line has no second difference; those of noise vary by six times its variance."""
    slope = np.linspace(5e5, 6e5, 4000)
    assert level_scatter(slope) == pytest.approx(0.0, abs=1e-6)
    noise = np.random.default_rng(4).normal(0.0, 800.0, slope.size)
    assert level_scatter(slope + noise) == pytest.approx(800.0, rel=0.05)
    assert level_scatter(slope[:4]) == 0.0
