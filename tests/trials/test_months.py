"""Months in arrays: the facts of a day against closed forms of its physics."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.gas.viscosity import viscosity_ratio
from rowcall.model import Fact
from trials.months import AREA_M2, ROWS, STEP_S, Plants, _built, months


def test_a_day_of_even_load_has_the_facts_of_its_closed_form() -> None:
    """Cake grows drag by K dust / area^2 a m3 of gas; a pass brings what its pulses take off."""
    plants = Plants("laminar", 5, 2, products=0.0, swing=0.0, season_k=0.0)
    build = _built(plants, np.random.default_rng([5, 17]))
    demand, timed = next(months(plants, 1))
    viscosity = ((160 + 273.15) / 438.15) ** 0.7 / float(viscosity_ratio(160.0))
    growth = viscosity * build.cake * build.dust / AREA_M2**2
    assert demand[Fact.DP_PER_FLOW_GROWTH] == pytest.approx(growth[0], rel=0.15)
    assert timed[Fact.DP_PER_FLOW_GROWTH] == pytest.approx(growth[1], rel=0.15)
    assert demand[Fact.PEAK_DP_PA] == pytest.approx(build.start_pa[0], rel=0.02)
    assert timed[Fact.CYCLE_TIME_S] == ROWS * 4 * STEP_S
    assert demand[Fact.FLOW_M3_S] == pytest.approx(11.0, rel=0.01)
