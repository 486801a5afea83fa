"""At whose pulses a header's pressure falls, on headers known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from rowcall.events.firing.recorded import Fires
from rowcall.events.headers.whose_pulses import Shown, whose_pulses
from rowcall.model import Signal

DAY_S = 14_400.0
FULL, DROP, TAU = 6.0e5, 1.5e5, 3.0
SERVED = {1: [1], 2: [2], 3: [3]}


def fires(interval_s: float, n: int = 3, *, in_turn: bool = True, complete: bool = True) -> Fires:
    """Return fires of n compartments: one in turn from each, or all at the same time."""
    at_s = np.arange(100.0, DAY_S - 100.0, interval_s) + 0.3
    turn = np.arange(at_s.size)
    whose = turn % n + 1
    if not in_turn:
        at_s, whose = np.repeat(at_s, n), np.tile(np.arange(1, n + 1), at_s.size)
    return Fires(at_s, at_s, whose, np.ones(at_s.size, np.int64), complete)


def pressure(fired: Fires, shares: dict[int, float], step_s: float, clock_s: float = 0.0) -> Signal:
    """Return a header that loses a share of a drop at each compartment's pulses."""
    at_s = np.arange(0.0, DAY_S, step_s)
    value = FULL + 1000.0 * np.random.default_rng(3).standard_normal(at_s.size)
    for compartment, share in shares.items():
        for fire_s in fired.high_s[fired.compartment == compartment] + clock_s:
            first, last = np.searchsorted(at_s, (fire_s, fire_s + 10.0 * TAU))
            value[first:last] -= share * DROP * np.exp((fire_s - at_s[first:last]) / TAU)
    return Signal(at_s, value)


def shown(
    fired: Fires, of: dict[int, dict[int, float]], step_s: float = 1.0, clock_s: float = 0.0
) -> dict[int, Shown]:
    headers = {own: pressure(fired, shares, step_s, clock_s) for own, shares in of.items()}
    return whose_pulses(fired, headers, SERVED)


OWN = {1: {1: 1.0}, 2: {2: 1.0}, 3: {3: 1.0}}
TURNED = {1: {2: 1.0}, 2: {3: 1.0}, 3: {1: 1.0}}


@pytest.mark.parametrize("step_s", [1.0, 5.0])
@pytest.mark.parametrize("interval_s", [8.0, 13.0])
def test_sound_headers_fall_at_their_own_pulses_only(step_s: float, interval_s: float) -> None:
    for one in shown(fires(interval_s), OWN, step_s).values():
        assert one.own_pa > 0.3 * DROP
        assert one.other_pa < one.own_pa / 10
        assert not one.is_others


@pytest.mark.parametrize("step_s", [1.0, 5.0])
@pytest.mark.parametrize("interval_s", [8.0, 13.0])
def test_headers_mixed_up_fall_at_those_of_another(step_s: float, interval_s: float) -> None:
    found = shown(fires(interval_s), TURNED, step_s)
    assert {own: one.other for own, one in found.items()} == {1: 2, 2: 3, 3: 1}
    assert all(one.is_others for one in found.values())


@pytest.mark.parametrize("clock_s", [-4.0, 2.5, 4.0])
def test_clocks_that_are_apart_hide_nothing(clock_s: float) -> None:
    for one in shown(fires(13.0), OWN, clock_s=clock_s).values():
        assert one.own_pa > 0.5 * DROP
        assert one.other_pa < one.own_pa / 10
    assert all(one.is_others for one in shown(fires(13.0), TURNED, clock_s=clock_s).values())


def test_a_common_supply_shows_by_its_share() -> None:
    one = shown(fires(13.0), OWN | {1: {1: 1.0, 2: 0.1}})[1]
    assert one.other == 2
    assert 0.05 < one.other_pa / one.own_pa < 0.15


@pytest.mark.parametrize("step_s", [1.0, 5.0])
def test_pulses_at_the_same_time_show_no_header(step_s: float) -> None:
    for headers in (OWN, TURNED):
        for one in shown(fires(13.0, in_turn=False), headers, step_s).values():
            assert not one.is_others
            assert one.other_pa > 0.9 * one.own_pa


@pytest.mark.parametrize("step_s", [1.0, 5.0])
def test_what_a_clock_may_explain_is_no_other_header(step_s: float) -> None:
    fired = fires(4.0)
    for headers, clock_s in ((TURNED, 0.0), (OWN, 4.0), (OWN, -4.0), (OWN, 0.0)):
        found = shown(fired, headers, step_s, clock_s)
        assert not any(one.is_others for one in found.values())
        assert len(found) == 3


def test_of_pulses_those_far_from_others_count() -> None:
    together, apart = fires(26.0, in_turn=False), fires(13.0)
    early, late = together.low_s < DAY_S / 3, apart.low_s > DAY_S / 3
    at_s = np.concatenate((together.low_s[early], apart.low_s[late]))
    whose = np.concatenate((together.compartment[early], apart.compartment[late]))
    fired = Fires(at_s, at_s, whose, np.ones(at_s.size, np.int64))
    assert all(one.other_pa < one.own_pa / 10 for one in shown(fired, OWN).values())
    assert all(one.own_pa < one.other_pa / 10 for one in shown(fired, TURNED).values())


def test_a_gap_shows_no_fall() -> None:
    fired = fires(13.0)
    whole = {own: pressure(fired, shares, 1.0) for own, shares in OWN.items()}
    after = whole[1].time_s > DAY_S - 300.0
    low = np.where(after, whole[1].value - 5e5, whole[1].value)
    keep = after | (whole[1].time_s < 200.0)  # hours without a point, and then another level
    cut = whole | {1: Signal(whole[1].time_s[keep], low[keep])}
    assert 1 not in whose_pulses(fired, cut, SERVED)


def test_nothing_is_said_of_one_header_or_where_fires_are_missed() -> None:
    one = fires(13.0)
    header = {1: pressure(one, {1: 1.0}, 1.0)}
    assert whose_pulses(one, header, SERVED) == {}
    assert whose_pulses(None, header | {2: header[1]}, SERVED) == {}
    assert shown(fires(13.0, complete=False), OWN) == {}
    assert shown(fires(400.0), OWN) == {}


def test_the_error_is_that_of_the_pulses() -> None:
    one = shown(fires(13.0), OWN)[1]
    assert 0.0 < one.error_pa < 0.1 * DROP
