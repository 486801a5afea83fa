"""The facts of tags: alive or still, and against what physics ties them to."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import polars as pl

from rowcall.condition.flat_runs import FlatRuns
from rowcall.condition.minutes import minute_means
from rowcall.condition.state import Mask, State, gas_level
from rowcall.events.find import Events, Signals
from rowcall.events.noise import noise_of
from rowcall.events.sensors.dp_physics import at_rest, follows_flow, scatter, swing
from rowcall.events.sensors.facts_by_role import TAG_FACTS
from rowcall.events.sensors.pairs import apart, lag_min
from rowcall.events.sensors.still import longest_flat, longest_pulsed, longest_tied, noise_steps
from rowcall.model import Fact, Floats, Signal
from rowcall.site import ROLES, Baghouse, Role, Sample

Line = tuple[int, int, Fact, object]

_MIN_PULSES = 20  # chosen: a header that shows none of so many stands still
_MIN_HEADER_PA = 2e4  # chosen: below, there is no air to show pulses with
_STILL = 0.15  # [-] of the level above which gas moves: 3 % of the usual; chosen, a flow's own zero
_FAN_SHARE = 0.2  # [-] chosen: of its usual signal, above which a fan moves gas
_FLOWING_PA = 100.0  # chosen: DP of this much means gas, whatever the flow tag reads
_BELOW_ZERO_PA = -20.0  # chosen: past the zero of any transmitter
_TIED = {
    Role.DP: "gas_flow_m3_s",
    Role.GAS_FLOW: "fan_signal",
    Role.INLET_TEMPERATURE: "outlet_temperature_c",
    Role.OUTLET_TEMPERATURE: "inlet_temperature_c",
}


@dataclass(frozen=True)
class _Day:
    """What all tags of a day are held against, by minute."""

    baghouse: Baghouse
    signals: Signals
    minutes: pl.DataFrame

    def column(self, name: str) -> Floats:
        """Return a column, nan where there is nothing."""
        if name not in self.minutes.columns:
            return np.full(self.minutes.height, np.nan)
        return self.minutes[name].cast(pl.Float64).fill_null(math.nan).to_numpy()

    @cached_property
    def is_running(self) -> Mask:
        return np.asarray(self.minutes["state"].to_numpy() == State.RUNNING.value)

    def runs(self, compartment: int) -> Mask:
        """Return where gas runs through a compartment, 0 the baghouse; without a bit it is on."""
        bit = self.signals.get((Role.COMPARTMENT_ON_LINE, compartment, 0))
        if bit is None:
            return self.is_running
        return np.asarray(self.is_running & (minute_means(bit, self.minutes.height) > 0.5))

    @cached_property
    def is_flowing(self) -> Mask:
        """Return where gas flows whatever the flow tag reads: by the fan, else by DP."""
        fan = self.column("fan_signal")
        if np.isfinite(fan).any():
            usual = float(np.nanpercentile(fan, 95))
            return np.asarray((fan > _FAN_SHARE * usual) & (usual > 0))
        return np.asarray(self.column("dp_pa") > _FLOWING_PA)

    @cached_property
    def is_still(self) -> Mask:
        """Return where the gas stands still by flow or fan; never by DP, which is in question."""
        found = gas_level(
            self.baghouse,
            {n: self.column(n) for n in ("gas_flow_m3_s", "fan_signal") if self._has(n)},
        )
        if found is None:
            return np.zeros(self.minutes.height, np.bool_)
        level, limit = found
        is_still = np.abs(level) <= _STILL * limit
        fan = self.column("fan_signal")
        return np.asarray(is_still & ~self.is_flowing) if np.isfinite(fan).any() else is_still

    def _has(self, name: str) -> bool:
        return bool(np.isfinite(self.column(name)).any())


def sensor_facts(
    baghouse: Baghouse,
    signals: Signals,
    minutes: pl.DataFrame,
    events: Events,
    flat: Mapping[tuple[Role, int, int], FlatRuns],
) -> Iterator[Line]:
    """Yield the facts of the tags of a day.

    flat: runs of one value by place, those that were left out of `signals` too.
    """
    day = _Day(baghouse, signals, minutes)
    even = {
        (tag.role, tag.compartment or 0)
        for tag in baghouse.tag
        if tag.sample is Sample.AT_INTERVALS
    }
    for (role, compartment, row), runs in flat.items():
        has_points = runs.value.size or (role, compartment, row) in signals
        if role in TAG_FACTS and not row and has_points:
            yield from _still(day, role, compartment, runs, events)
    for (role, compartment, _), signal in signals.items():
        if role in TAG_FACTS and (role, compartment) in even:
            yield compartment, 0, TAG_FACTS[role].steps, noise_steps(signal)
        if role is Role.DP:
            yield from _dp(day, compartment, signal, is_even=(role, compartment) in even)
    yield from _together(day, signals)
    inlet, outlet = day.column("inlet_temperature_c"), day.column("outlet_temperature_c")
    both = day.is_running & np.isfinite(inlet) & np.isfinite(outlet)
    if both.any():
        yield 0, 0, Fact.OUTLET_DROP_K, float(np.median((inlet - outlet)[both]))
        yield 0, 0, Fact.OUTLET_LAG_S, 60.0 * lag_min(inlet, outlet, day.is_running)
    for own, shown in events.shown.items():
        yield own, 0, Fact.HEADER_OWN_FALL_PA, shown.own_pa
        yield own, 0, Fact.HEADER_OTHER_FALL_PA, shown.other_pa
        yield own, 0, Fact.HEADER_OTHER, shown.other
        yield own, 0, Fact.HEADER_FALL_ERROR_PA, shown.error_pa


def _still(
    day: _Day, role: Role, compartment: int, runs: FlatRuns, events: Events
) -> Iterator[Line]:
    facts = TAG_FACTS[role]
    if role is Role.HEADER_PRESSURE:
        runs = runs.where(runs.value > _MIN_HEADER_PA)
        own = pl.lit(value=True) if not compartment else pl.col("compartment") == compartment
        pulses = events.pulses.filter(own)["time_s"].to_numpy()
        if not events.fires_known or events.inferred:
            return
        always = np.ones(day.minutes.height, np.bool_)
        longest = longest_pulsed(runs, always, np.sort(pulses), _MIN_PULSES)
        yield compartment, 0, facts.flat, longest
        yield compartment, 0, facts.tied, longest
        return
    is_alive = day.is_flowing if role is Role.GAS_FLOW else day.runs(compartment)
    yield compartment, 0, facts.flat, longest_flat(runs, is_alive)
    tied = day.column(_TIED[role])
    is_temperature = ROLES[role].minute_column != "dp_pa" and role is not Role.GAS_FLOW
    yield (
        compartment,
        0,
        facts.tied,
        longest_tied(runs, is_alive, tied, is_temperature=is_temperature),
    )


def _dp(day: _Day, compartment: int, signal: Signal, *, is_even: bool) -> Iterator[Line]:
    dp, running = minute_means(signal, day.minutes.height), day.runs(compartment)
    known = running & np.isfinite(dp)
    yield compartment, 0, Fact.DP_ZERO_PA, at_rest(dp, day.is_still, day.is_running)
    if not known.any():
        return
    yield compartment, 0, Fact.DP_RUNNING_PA, float(np.median(dp[known]))
    yield compartment, 0, Fact.DP_NEGATIVE_SHARE, float((dp[known] < _BELOW_ZERO_PA).mean())
    yield compartment, 0, Fact.DP_SWING_PA, swing(dp, running)
    follows = follows_flow(dp, day.column("gas_flow_m3_s"), running)
    yield compartment, 0, Fact.DP_FLOW_GAIN, follows.gain
    yield compartment, 0, Fact.DP_FLOW_GAIN_ERROR, follows.error
    # A dead-band leaves no noise from point to point, but some from minute to minute.
    noise = _noise(signal, running) if is_even else scatter(dp, known)
    yield compartment, 0, Fact.DP_NOISE_PA, noise


def _noise(signal: Signal, is_running: Mask) -> float:
    minute = np.clip(signal.time_s // 60, 0, is_running.size - 1).astype(int)
    in_run = is_running[minute]
    return noise_of(Signal(signal.time_s[in_run], signal.value[in_run]))


def _together(day: _Day, signals: Signals) -> Iterator[Line]:
    """How far apart tags of one role read, while gas flows through every compartment."""
    is_together = day.is_running & (day.column("on_line_frac") >= 1.0)
    for role, fact in (
        (Role.DP, Fact.DP_APART_PA),
        (Role.INLET_TEMPERATURE, Fact.INLET_APART_K),
    ):
        own = {place[1]: signals[place] for place in signals if place[0] is role}
        if len(own) < 2:
            continue
        means = {c: minute_means(one, day.minutes.height) for c, one in own.items()}
        for compartment, value in apart(means, is_together).items():
            yield compartment, 0, fact, value
