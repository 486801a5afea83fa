"""Set points as found against a controller whose set points are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from rowcall.events.filter.set_points import start_set_point, stop_set_point
from rowcall.model import Floats, Signal

N_ROWS = 12
INTERVAL_S = 10.0


def controller(
    start_pa: float,
    stop_pa: float,
    *,
    step_s: float = 5.0,
    fall_pa: float = 17.0,
    rise_pa_s: float = 0.3,
    n_least: int = N_ROWS,
    seed: int = 1,
) -> tuple[Signal, Floats, Floats, Floats]:
    """Return DP of a day, the first and last pulse of each bout, and how many pulses it had.

    DP rises by two thirds to four thirds of `rise_pa_s`, in bouts as between them.
    """
    rng = np.random.default_rng(seed)
    at, dp, times, levels = 0.0, stop_pa, [0.0], [stop_pa]
    first, last, count = [], [], []
    while at < 86_400.0:
        rise = rise_pa_s * rng.uniform(2 / 3, 4 / 3)
        rise_s = (start_pa - dp) / rise
        at, dp = at + rise_s, start_pa
        times.append(at)
        levels.append(dp)
        first.append(at)
        n = 0
        while n < n_least or levels[-2] > stop_pa:
            dp -= rng.uniform(0.5, 1.5) * fall_pa
            n += 1
            times += [at, at + 0.3]
            levels += [levels[-1], dp]
            at += INTERVAL_S
            dp += rise * INTERVAL_S
            times.append(at)
            levels.append(dp)
        last.append(at - INTERVAL_S)
        count.append(n)
    asked = np.arange(rng.uniform(0, step_s), 86_400.0, step_s)
    value = np.interp(asked, times, levels) + rng.normal(0, 5.0, asked.size)
    return Signal(asked, value), np.array(first), np.array(last), np.array(count, np.float64)


@pytest.mark.parametrize(("start", "stop"), [(1200.0, 900.0), (1500.0, 1000.0), (2400.0, 1900.0)])
@pytest.mark.parametrize("step_s", [1.0, 5.0])
def test_set_points_are_found_within_two_percent_of_the_band(
    start: float, stop: float, step_s: float
) -> None:
    dp, first, last, count = controller(start, stop, step_s=step_s)
    band = start - stop
    found = start_set_point(dp, first)
    assert found.pa == pytest.approx(start, abs=0.02 * band)
    assert 0 < found.error_pa < 0.02 * band
    assert stop_set_point(dp, last, count, N_ROWS, INTERVAL_S).pa == pytest.approx(
        stop, abs=0.02 * band
    )


def test_errors_cover_what_they_claim() -> None:
    """Over days of other seeds the start set point lies within 2 standard errors mostly."""
    off = []
    for seed in range(30):
        dp, first, _, _ = controller(1200.0, 900.0, seed=seed)
        found = start_set_point(dp, first)
        off.append(abs(found.pa - 1200.0) / found.error_pa)
    assert np.mean(np.array(off) < 2) > 0.8


def test_a_pass_that_has_to_be_finished_hides_the_stop_set_point() -> None:
    dp, first, last, count = controller(1200.0, 1150.0, fall_pa=30.0)
    assert set(count) == {N_ROWS}
    assert math.isnan(stop_set_point(dp, last, count, N_ROWS, INTERVAL_S).pa)
    assert math.isfinite(start_set_point(dp, first).pa)


def test_a_controller_that_stops_within_a_pass_shows_its_stop_set_point() -> None:
    dp, first, last, count = controller(1200.0, 1000.0, fall_pa=40.0, n_least=1)
    assert max(count) < N_ROWS
    found = stop_set_point(
        dp, last, count, N_ROWS, INTERVAL_S, start_set_point(dp, first).rise_pa_s
    )
    assert found.pa == pytest.approx(1000.0, abs=0.02 * 200.0)


def test_a_few_bouts_that_a_halt_cuts_short_do_not_hide_that_passes_are_finished() -> None:
    dp, _, last, count = controller(1200.0, 1150.0, fall_pa=30.0)
    count[::10] = 3.0
    assert math.isnan(stop_set_point(dp, last, count, N_ROWS, INTERVAL_S).pa)


@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_a_cake_that_builds_up_fast_does_not_move_the_stop_set_point(step_s: float) -> None:
    """DP half an interval after a pulse is not what the controller saw."""
    dp, first, last, count = controller(1500.0, 1200.0, step_s=step_s, fall_pa=45.0, rise_pa_s=1.5)
    rise = start_set_point(dp, first).rise_pa_s
    assert rise == pytest.approx(1.5, rel=0.15)
    found = stop_set_point(dp, last, count, N_ROWS, INTERVAL_S, rise)
    assert found.pa == pytest.approx(1200.0, abs=0.02 * 300.0)
    as_read = stop_set_point(dp, last, count, N_ROWS, INTERVAL_S)
    assert as_read.pa > 1200.0 + 0.02 * 300.0


def test_the_error_of_the_stop_set_point_covers_and_grows_with_few_bouts() -> None:
    off, errors = [], []
    for seed in range(30):
        dp, first, last, count = controller(1200.0, 900.0, seed=seed)
        given = N_ROWS, INTERVAL_S, start_set_point(dp, first).rise_pa_s
        found = stop_set_point(dp, last, count, *given)
        off.append(abs(found.pa - 900.0) / found.error_pa)
        errors.append(stop_set_point(dp, last[:12], count[:12], *given).error_pa / found.error_pa)
    assert np.mean(np.array(off) < 2) > 0.8
    assert np.median(errors) > 1.5


def test_few_bouts_or_points_show_none() -> None:
    dp, first, last, count = controller(1200.0, 900.0)
    assert math.isnan(start_set_point(dp, first[:3]).pa)
    coarse = Signal(dp.time_s[::12], dp.value[::12])
    assert math.isnan(start_set_point(coarse, first).pa)
    assert math.isnan(stop_set_point(dp, last[:3], count[:3], N_ROWS, INTERVAL_S).pa)
