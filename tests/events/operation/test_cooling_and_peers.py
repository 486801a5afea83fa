"""How gas cools, and how compartments differ, against days known in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from helpers.leak_days import Plan, facts_of

from rowcall.events.operation.cooling import cooling
from rowcall.events.operation.peers import above_peers, over_peers
from rowcall.model import Fact, Signal
from rowcall.site import Role

EVEN = Plan(loss=(1.0, 1.0, 1.0))


@pytest.mark.parametrize("leak", [0.0, 0.1])
@pytest.mark.parametrize("flow", [7.0, 13.0])
def test_cooling_is_loss_over_flow_and_leak(leak: float, flow: float) -> None:
    found = facts_of(replace(EVEN, flow=flow, leak=(leak,) * 3))
    truth = 1.0 / found[Fact.COOLING_FLOW_M3_S, 0] + math.log(1 + leak)
    assert found[Fact.COOLING, 0] == pytest.approx(
        truth, abs=3 * found[Fact.COOLING_ERROR, 0] + 0.002
    )
    assert found[Fact.COOLING_FLOW_M3_S, 0] == pytest.approx(flow, rel=0.05)


def test_a_halt_of_hours_shows_the_ambient_temperature_where_no_tag_does() -> None:
    stood = replace(EVEN, tags=(), stop_h=8.0)
    found, truth = facts_of(stood), facts_of(replace(stood, tags=EVEN.tags))
    assert found[Fact.COOLING, 0] == pytest.approx(truth[Fact.COOLING, 0], abs=0.005)


@pytest.mark.parametrize(
    "plan",
    [
        replace(EVEN, tags=()),
        replace(EVEN, tags=(), stop_h=2.0),
        replace(EVEN, tags=(), stop_h=4.2),  # still cooling by 2 K an hour
        replace(EVEN, stop_h=20.0),
    ],
)
def test_without_ambient_or_hours_nothing_is_said(plan: Plan) -> None:
    assert (Fact.COOLING, 0) not in facts_of(plan)


def test_gas_hardly_above_ambient_says_nothing() -> None:
    assert (Fact.COOLING, 0) not in facts_of(replace(EVEN, inlet=40.0))


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_an_inlet_as_cold_as_ambient_says_nothing_of_cooling() -> None:
    n, value = 1440, {Role.INLET_TEMPERATURE: 15.0, Role.OUTLET_TEMPERATURE: 60.0}
    at = np.arange(n) * 60.0 + 1.0
    signals = {
        (role, 0, 0): Signal(at, np.full(n, one))
        for role, one in (value | {Role.AMBIENT_TEMPERATURE: 15.0}).items()
    }
    assert cooling(signals, np.full(n, 10.0), np.ones(n, np.bool_)) is None


def test_an_outlet_is_held_against_the_others_at_the_same_hours() -> None:
    found = facts_of(replace(EVEN, leak=(0.1, 0.0, 0.0)))
    outs = [15 + 135 * math.exp(-0.1) / (1 + leak) for leak in (0.1, 0.0)]
    above = found[Fact.OUTLET_TO_PEERS_K, 1]
    assert above == pytest.approx(outs[0] - outs[1], abs=0.5)
    assert found[Fact.OUTLET_TO_PEERS_ERROR_K, 1] < 0.3
    assert abs(found[Fact.OUTLET_TO_PEERS_K, 3]) < 0.5


def test_hours_off_line_do_not_count() -> None:
    """Off line its outlet stands at 60 degC, 70 K below the others."""
    found = facts_of(replace(EVEN, off=(12.0, 0.0, 0.0)))
    assert abs(found[Fact.OUTLET_TO_PEERS_K, 1]) < 0.5
    assert (Fact.PULSES_TO_PEERS, 1) not in found
    assert found[Fact.PULSES_TO_PEERS, 2] == pytest.approx(1.0)


def test_pulses_are_counted_a_row() -> None:
    """Compartment 3 has half the rows."""
    found = facts_of(replace(EVEN, pulses=(1.0, 1.0, 1.6)))
    assert found[Fact.PULSES_TO_PEERS, 3] == pytest.approx(1.6)
    assert found[Fact.PULSES_TO_PEERS, 1] == pytest.approx(1.0)


def test_dp_of_a_compartment_is_a_ratio_with_its_error() -> None:
    found = facts_of(replace(EVEN, dp=(1.2, 1.0, 1.0)))
    assert found[Fact.DP_TO_PEERS, 1] == pytest.approx(1.2, abs=0.01)
    assert found[Fact.DP_TO_PEERS_ERROR, 1] < 0.02


def test_what_is_not_known_is_no_peer() -> None:
    assert over_peers({1: 10.0, 2: 0.0, 3: 20.0}) == {1: 0.5, 3: 2.0}
    assert over_peers({1: 10.0, 2: 10.0, 3: 20.0}) == {1: 1.0, 2: 1.0, 3: 2.0}
    assert over_peers({1: 10.0}) == {}
    level = np.full((2, 240), 5.0)
    level[1, 130:] = np.nan
    assert above_peers(level) == {}
