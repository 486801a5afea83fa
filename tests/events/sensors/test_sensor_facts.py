"""Facts of tags of a day made by hand: what counts as alive, and where."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import polars as pl
from helpers.sensor_days import house, tag

from rowcall.condition.flat_runs import flat_runs
from rowcall.condition.minutes import minute_table
from rowcall.events.find import Events
from rowcall.events.rows.pulses import PULSE_COLUMNS
from rowcall.events.sensors.sensor_facts import sensor_facts
from rowcall.model import Fact, Floats, Signal
from rowcall.site import Role, Tag

AT = np.arange(0.0, 86_400.0, 10.0)
RNG = np.random.default_rng(1)
HALF = AT < 43_200.0
FAN = Tag(role=Role.FAN_SIGNAL, tag="fan", unit="A")


@dataclass
class Day:
    """Signals by (role, compartment); a fan and a flow that run all day."""

    signals: dict[tuple[Role, int, int], Signal] = field(default_factory=dict)

    def put(self, role: Role, compartment: int, value: Floats | float) -> Day:
        whole = np.broadcast_to(np.asarray(value, np.float64), AT.shape).copy()
        step = role is Role.COMPARTMENT_ON_LINE
        self.signals[role, compartment, 0] = Signal(AT, whole, step, 60.0, 60.0)
        return self

    def facts(self) -> dict[tuple[Fact, int], float]:
        known = [(role, c) for role, c, _ in self.signals if role is not Role.FAN_SIGNAL]
        on_line = [c for role, c in known if role is Role.COMPARTMENT_ON_LINE]
        bits = [
            Tag(role=Role.COMPARTMENT_ON_LINE, tag=f"on{c}", unit="1", compartment=c)
            for c in on_line
        ]
        tags = [tag(r, c or None) for r, c in known if r is not Role.COMPARTMENT_ON_LINE]
        baghouse = house(*tags, *bits, FAN)
        flat = {p: flat_runs(one.time_s, one.value) for p, one in self.signals.items()}
        minutes = minute_table(baghouse, self.signals, 86_400.0)
        nothing = pl.DataFrame(schema=PULSE_COLUMNS)
        events = Events(nothing, nothing, nothing, nothing, {}, True, {}, frozenset(), nothing)
        lines = sensor_facts(baghouse, self.signals, minutes, events, flat)
        return {
            (fact, c): float(value)
            for c, _, fact, value in lines
            if isinstance(value, (int, float)) and np.isfinite(value)
        }


def noisy(level: float, size: float) -> Floats:
    return np.round(level + size * RNG.standard_normal(AT.size), 1)


def running() -> Day:
    return Day().put(Role.GAS_FLOW, 0, noisy(10.0, 0.3)).put(Role.FAN_SIGNAL, 0, noisy(80.0, 0.5))


def test_dp_of_a_compartment_off_line_need_not_move() -> None:
    dp = np.where(HALF, noisy(1000.0, 10.0), 0.0)
    day = running().put(Role.DP, 1, noisy(1000.0, 10.0)).put(Role.DP, 2, dp)
    assert day.facts()[Fact.DP_FLAT_S, 2] > 40_000
    off = day.put(Role.COMPARTMENT_ON_LINE, 2, np.where(HALF, 1.0, 0.0)).facts()
    assert off[Fact.DP_FLAT_S, 2] < 120
    assert abs(off[Fact.DP_RUNNING_PA, 2] - 1000.0) < 5.0


def test_a_flow_tag_dead_at_zero_is_seen_by_the_fan() -> None:
    day = running().put(Role.DP, 0, noisy(1000.0, 10.0)).put(Role.GAS_FLOW, 0, 0.0)
    found = day.facts()
    assert found[Fact.FLOW_FLAT_S, 0] > 80_000
    assert (Fact.DP_ZERO_PA, 0) not in found  # the fan runs: nothing stands still


def test_a_stopped_unit_shows_the_zero_and_nothing_stuck() -> None:
    dp = np.where(HALF, noisy(1000.0, 10.0), 35.0)
    flow, fan = (np.where(HALF, noisy(*of), 0.0) for of in ((10.0, 0.3), (80.0, 0.5)))
    day = Day().put(Role.GAS_FLOW, 0, flow).put(Role.FAN_SIGNAL, 0, fan).put(Role.DP, 0, dp)
    found = day.facts()
    assert found[Fact.DP_ZERO_PA, 0] == 35.0
    assert found[Fact.DP_FLAT_S, 0] < 1000
    assert found[Fact.FLOW_FLAT_S, 0] < 1000


def test_noise_and_resolution_are_of_tags_at_intervals() -> None:
    found = running().put(Role.DP, 0, noisy(1000.0, 10.0)).facts()
    assert abs(found[Fact.DP_NOISE_PA, 0] - 10.0 / 6.0**0.5) < 0.5  # six points a minute
    assert found[Fact.DP_NOISE_STEPS, 0] > 50
    assert found[Fact.DP_NEGATIVE_SHARE, 0] == 0.0
    below = running().put(Role.DP, 0, noisy(-80.0, 10.0)).facts()
    assert below[Fact.DP_NEGATIVE_SHARE, 0] == 1.0


def test_inlet_and_outlet_give_their_drop_and_which_is_later() -> None:
    wave = np.convolve(RNG.standard_normal(AT.size), np.ones(90) / np.sqrt(90.0), "same")
    later = np.roll(wave, 18)  # 180 s
    day = running().put(Role.INLET_TEMPERATURE, 0, 160.0 + 2 * wave)
    found = day.put(Role.OUTLET_TEMPERATURE, 0, 151.0 + 2 * later).facts()
    assert abs(found[Fact.OUTLET_DROP_K, 0] - 9.0) < 0.5
    assert abs(found[Fact.OUTLET_LAG_S, 0] - 180.0) <= 60.0
