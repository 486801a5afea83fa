"""The clock of the solenoid bits against that of the header pressure."""

from __future__ import annotations

from dataclasses import replace

import pytest
from helpers.scenes import Studied, exports, kiln, local, on_time, study

from rowcall.events.clocks.offset import clock_offset
from rowcall.events.firing.recorded import find_fires
from rowcall.site import Role
from rowcall_plant import RowDrawnOut, RowFaint, RowSilent


def scene(ahead_s: float, interval_s: float = 20.0, step_s: int = 1) -> Studied:
    """Bits stamped `ahead_s` too late; one silent row, one compartment."""
    plan = kiln(rows=(6,), cleaning=on_time(6, interval_s), solenoid_clock_offset_s=ahead_s)
    fault = RowSilent(start=local(0), compartment=1, row=3)
    return study(exports(plan, [fault], step_s=step_s, seed=3, hours=6)[0])


@pytest.mark.parametrize(("ahead_s", "step_s"), [(1.7, 1), (-0.8, 2), (0.4, 1), (4.0, 2)])
def test_an_offset_is_found_within_its_stated_half_width(ahead_s: float, step_s: int) -> None:
    studied = scene(ahead_s, step_s=step_s)
    offset = studied.events.clock_offsets[1]
    assert abs(offset.offset_s + ahead_s) <= offset.half_width_s
    # Far below the sampling period, but near the end of the reach of 5 s.
    assert offset.half_width_s <= (0.15 if abs(ahead_s) < 3 else 0.6)
    silent = studied.day.pulses.filter(~studied.day.pulses["answered"].fill_null(True))
    assert set(silent["row"].to_list()) == {3}


@pytest.mark.parametrize("step_s", [1, 2, 5])
def test_no_offset_is_left_alone(step_s: int) -> None:
    assert scene(0.0, step_s=step_s).events.clock_offsets[1].offset_s == 0.0


@pytest.mark.parametrize(("interval_s", "ahead_s"), [(4.0, 0.0), (4.0, 1.0), (6.0, -1.7)])
def test_a_row_is_not_taken_for_the_next_one(interval_s: float, ahead_s: float) -> None:
    studied = scene(ahead_s, interval_s)
    offset = studied.events.clock_offsets[1]
    assert abs(offset.offset_s + ahead_s) <= offset.half_width_s
    silent = studied.day.pulses.filter(~studied.day.pulses["answered"].fill_null(True))
    assert set(silent["row"].to_list()) == {3}


# Folded on the interval, samples of all fires draw the drop that no two of them show.
@pytest.mark.parametrize(
    ("interval_s", "ahead_s", "step_s"),
    [(4.0, 1.0, 5), (13.0, -2.4, 10), (22.0, 3.0, 5), (22.0, 3.0, 10)],
)
def test_samples_far_apart_tell_the_offset_together(
    interval_s: float, ahead_s: float, step_s: int
) -> None:
    offset = scene(ahead_s, interval_s, step_s).events.clock_offsets[1]
    assert offset.offset_s == pytest.approx(-ahead_s, abs=max(offset.half_width_s, 0.15))
    assert offset.half_width_s < 0.5


@pytest.mark.parametrize("step_s", [5, 10])
def test_samples_in_step_with_the_pulses_tell_no_offset(step_s: int) -> None:
    """Drift apart, a whole interval, is all that such samples could tell."""
    found = scene(0.0, 20.0, step_s).events.clock_offsets
    assert all(offset.offset_s == 0.0 for offset in found.values())


@pytest.mark.parametrize(("interval_s", "step_s"), [(12.5, 5), (23.0, 60)])
@pytest.mark.parametrize("n_faults", [1, 3])
def test_rows_in_step_with_the_samples_make_no_offset(
    interval_s: float, step_s: int, n_faults: int
) -> None:
    """Each phase is met after two or three rows only, so a deep or silent one looks like a fall."""
    even = replace(on_time(6, interval_s), scan_s=1e-6)
    faults = [
        RowSilent(start=local(0), compartment=1, row=3),
        RowDrawnOut(start=local(0), compartment=1, row=5, late_s=1.5, late_flow_frac=0.5),
        RowFaint(start=local(0), compartment=1, row=2, drop_share=0.4),
    ][:n_faults]
    plan = kiln(rows=(6,), cleaning=even)
    found = study(exports(plan, faults, step_s=step_s, seed=3)[0]).events.clock_offsets
    assert all(offset.offset_s == 0.0 for offset in found.values())


def test_few_fires_tell_no_offset() -> None:
    studied = scene(1.7)
    header = studied.day.signals[(Role.HEADER_PRESSURE, 1, 0)]
    fires = find_fires(studied.day.baghouse, studied.day.signals, studied.day.seconds)
    assert fires is not None
    assert clock_offset(header, fires.pick(fires.high_s < 1000.0)) is not None
    assert clock_offset(header, fires.pick(fires.high_s < 300.0)) is None
