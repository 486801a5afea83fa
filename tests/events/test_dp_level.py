"""Changes of DP within a day: another scale, other set points, more drag, and healthy days."""

from __future__ import annotations

import numpy as np
import pytest
from helpers.scenes import Studied, exports, fact, kiln, local, on_time, study

from rowcall.events.dp_level import fall_at_pulses
from rowcall.model import Fact, Signal
from rowcall_plant import Fault, RisingBaselineDp, SetPointsMoved, TagScaled

BY_CLOCK = kiln(cleaning=on_time(6))
SCALED = TagScaled(start=local(0, 18, 5), column="dp_pa", factor=1.25)
AT_S = 18 * 3600 + 300
NOT_ASKED = ("header_pressure", "inlet_temperature", "outlet_temperature")


def day_of(fault: Fault | None, *, by_clock: bool, step_s: int = 1) -> Studied:
    plan = BY_CLOCK if by_clock else kiln()
    faults = [fault] if fault else []
    return study(exports(plan, faults, seed=7, step_s=step_s, drop=NOT_ASKED)[0])


def shown(studied: Studied, name: Fact) -> float:
    value = fact(studied.day, name)
    assert value is not None
    return value


@pytest.mark.parametrize("by_clock", [True, False])
def test_another_scale_is_a_jump_and_the_day_has_the_new_one(by_clock: bool) -> None:
    healthy, day = day_of(None, by_clock=by_clock), day_of(SCALED, by_clock=by_clock)
    assert fact(healthy.day, Fact.DP_CHANGED_S) is None
    assert shown(day, Fact.DP_CHANGED_S) == pytest.approx(AT_S, abs=60)
    assert shown(day, Fact.DP_JUMP) == pytest.approx(1.25, rel=0.03)
    # It stayed at the old scale for 18 of 24 hours.
    for name in (Fact.RESIDUAL_DP_PA, Fact.PEAK_DP_PA, Fact.RESIDUAL_DP_PER_FLOW):
        assert shown(day, name) == pytest.approx(1.25 * shown(healthy, name), rel=0.02)


def test_set_points_move_peak_and_residual_without_a_jump() -> None:
    fault = SetPointsMoved(start=local(0, 10, 5), start_dp_pa=1440.0, stop_dp_pa=1080.0)
    day = day_of(fault, by_clock=False)
    assert shown(day, Fact.DP_CHANGED_S) == pytest.approx(10 * 3600, abs=1800)
    assert fact(day.day, Fact.DP_JUMP) is None
    assert shown(day, Fact.PEAK_DP_PA) == pytest.approx(1440.0, rel=0.02)


def test_more_drag_leaves_the_fall_at_pulses() -> None:
    """A scale multiplies it: that is what sets the two apart."""
    healthy = day_of(None, by_clock=True)
    dragged = day_of(RisingBaselineDp(start=local(0), step_frac=0.5), by_clock=True)
    scaled = day_of(TagScaled(start=local(0), column="dp_pa", factor=1.4), by_clock=True)
    fall = shown(healthy, Fact.DP_FALL_PA)
    error = shown(healthy, Fact.DP_FALL_ERROR_PA)
    assert error < 0.06 * fall
    assert shown(dragged, Fact.RESIDUAL_DP_PA) > 1.3 * shown(healthy, Fact.RESIDUAL_DP_PA)
    assert shown(dragged, Fact.DP_FALL_PA) == pytest.approx(fall, abs=3 * error)
    assert shown(scaled, Fact.DP_FALL_PA) == pytest.approx(1.4 * fall, rel=0.02)


def test_the_fall_at_pulses_is_that_of_a_made_signal() -> None:
    time = np.arange(0.0, 1200.0, 0.5)
    sawtooth = Signal(time, 900.0 + 3.0 * (time % 12.0) / 12.0)
    fall, error = fall_at_pulses(sawtooth, np.arange(12.0, 1190.0, 12.0))
    # Means 1.75 s before and (1 to 5 s) 2.75 s after, on a slope of 3 Pa in 12 s.
    assert fall == pytest.approx(3.0 - 3.0 * (2.25 + 2.75) / 12.0, abs=1e-9)
    assert error == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(fall_at_pulses(sawtooth, np.array([5000.0]))).all()
