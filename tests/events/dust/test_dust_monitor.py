"""Base level between pulses, and checks of the monitor: hand-made signals of known truth."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.dust.checks import find_checks, outside
from rowcall.events.dust.monitor import base_level, dust_of
from rowcall.events.operation.dew_hours import DewHours
from rowcall.events.operation.gas_seconds import GasSeconds
from rowcall.model import Floats, Signal

DAY_S = 86_400
NO_DEW = DewHours(np.full(24, np.nan), np.empty((0, 24)))
BASE, NOISE, PUFF = 0.03, 0.0015, 0.006
FIRED = np.arange(5.0, DAY_S, 12.0)


def gas(stop_s: float = np.inf) -> GasSeconds:
    moving = np.arange(DAY_S) < stop_s
    return GasSeconds(moving, np.ones(DAY_S, np.bool_), *2 * (np.full(DAY_S, 150.0),), NO_DEW)


def signal(step_s: float, *, checks: tuple[tuple[float, float, float], ...] = ()) -> Signal:
    """Puffs of 4 s, 3 s after each pulse; checks: (begin, end, level)."""
    at = np.arange(0.5, DAY_S, step_s)
    since = (at - FIRED[0] - 3.0) % 12.0
    value = BASE + PUFF * (since < 4.0) + NOISE * np.random.default_rng(1).standard_normal(at.size)
    for begin, end, level in checks:
        inside = (at >= begin) & (at < end)
        value[inside] = level + NOISE / 2 * np.random.default_rng(2).standard_normal(inside.sum())
    return Signal(at, value)


@pytest.mark.parametrize("step_s", [1.0, 5.0, 10.0])
def test_the_base_is_what_lies_between_pulses(step_s: float) -> None:
    base, error = base_level(dust_of(signal(step_s), gas()), FIRED)
    assert base == pytest.approx(BASE, abs=5e-4)
    assert error < 5e-4


def test_only_dust_in_moving_gas_counts() -> None:
    one = signal(5.0)
    one.value[one.time_s > 40_000] = 0.5
    base, _ = base_level(dust_of(one, gas(40_000)), FIRED)
    assert base == pytest.approx(BASE, abs=5e-4)
    assert np.isnan(base_level(dust_of(one, gas(0)), FIRED)).all()


def test_without_pulses_all_points_are_the_base() -> None:
    base, _ = base_level(dust_of(signal(5.0), gas()), np.empty(0))
    assert BASE < base < BASE + PUFF


@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_zero_and_span_are_one_sure_check(step_s: float) -> None:
    one = signal(step_s, checks=((9000, 9090, 0.0), (9090, 9180, 0.4)))
    (check,) = find_checks(one)
    assert check.is_sure
    assert (check.begin_s, check.end_s) == pytest.approx((9000, 9180), abs=step_s)
    assert dust_of(one, gas()).value.max() < 0.1


def test_a_single_flat_level_only_may_be_a_check() -> None:
    (check,) = find_checks(signal(5.0, checks=((9000, 9180, 0.4),)))
    assert not check.is_sure


def test_puffs_that_hide_the_zero_leave_the_span() -> None:
    """At 5 s most points differ from their neighbours by as much as the zero check does."""
    (check,) = find_checks(signal(5.0, checks=((9000, 9090, 0.0), (9090, 9180, 0.4))))
    assert (check.begin_s, check.is_sure) == (9090.5, False)


def test_an_upset_and_strong_puffs_are_no_checks() -> None:
    one = signal(1.0)
    after = one.time_s - 20_000.0
    upset = np.where(after >= 0, 0.5 * np.exp(-after / 60.0), 0.0)
    assert find_checks(Signal(one.time_s, one.value + upset)) == []
    assert find_checks(Signal(one.time_s, BASE + 20 * (one.value - BASE))) == []


def test_points_outside_checks() -> None:
    checks = find_checks(signal(1.0, checks=((9000, 9090, 0.0), (9090, 9180, 0.4))))
    at: Floats = np.array([8000.0, 9050.0, 9100.0, 9300.0])
    assert outside(checks, at).tolist() == [True, False, False, True]
