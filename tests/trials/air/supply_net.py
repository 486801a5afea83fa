"""Third physics: a net with a compressor that loads and unloads, a vessel, regulators, headers.

    receiver -> line, regulator -> shared vessel -> regulator or check valve -> header

Isothermal vessels, flows after ISO 6358 in one direction only (regulators and check valves do not
pass air back). A regulator opens in proportion to what its outlet lacks of the set pressure, with
a lag: its outlet droops with flow and the last of a refill is exponential, the first is not. Air
for one header lowers the vessel, and so the supply of the others. Seeds take three
builds in turn (`KINDS`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Literal

import numpy as np

from trials.air.air_day import AirDay
from trials.air.air_plan import LEAD_S, AirPlan
from trials.air.lanes import VALVE, States, integrate
from trials.air.orifice_feed import VOLUME_M3, WALL_K, drive, gauge, tail
from trials.flow import ATMOSPHERE_PA, CHOKED, R_AIR, area_for_drop, outflow_kg_s_m2
from trials.schedule import Floats

# header regulators: one a header, on a vessel. small vessel: filled by one regulator through a
# slow line, headers behind check valves. no regulator: headers follow the compressor's band.
Kind = Literal["header regulators", "small vessel", "no regulator"]
KINDS: tuple[Kind, ...] = ("header regulators", "small vessel", "no regulator")
_SOFT = 0.02
_SOFT_LINE = 0.1  # lines are long: laminar sooner; chosen
_STEP_S = 2.0  # of the receiver's table
_STEP_SHARE = 0.01  # of a header's volume over its feed: stable with four on the smallest vessel
_MAX_STEP_S = 0.35  # stable for the quickest regulator
_FOR_SHARED = (
    0.8  # slow headers also wait for the line they share; chosen by what then is recovered
)
_RELAX_S = 400.0
_ROUNDS = 4  # of fitting the lines to the recovery asked for; each leaves a tenth of the error


@dataclass(frozen=True, slots=True)
class Net:
    """Build of one baghouse's net. Conductances [kg/s per Pa of absolute inlet pressure].

    band_pa: of what a regulator's outlet lacks when it is fully open. load_pa, unload_pa: gauge
    pressures of the receiver at which the compressor loads and unloads.
    """

    kind: Kind
    set_pa: float
    vessel_m3: float
    line: float
    feed: Floats
    band_pa: float
    lag_s: float
    load_pa: float
    unload_pa: float

    def scaled(self, factor: float) -> Net:
        """The same with wider lines."""
        return replace(self, line=self.line * factor, feed=self.feed * factor)


def draw_net(plan: AirPlan) -> Net:
    """Draw a net whose headers recover a healthy drop in about the plan's time.

    The same for every fault of a baghouse, so it is fitted once.
    """
    share = plan.interval_s / plan.header_interval_s
    is_slow, refills_s = plan.recovered is not None, tuple(plan.refills_s(tail))
    return _fitted(plan.seed, plan.set_pa, plan.drop_frac, share, refills_s, is_slow)


@cache
def _fitted(
    seed: int,
    set_pa: float,
    drop_frac: float,
    interval_share: float,
    refills_s: tuple[float, ...],
    is_slow: bool,
) -> Net:
    rng = np.random.default_rng([seed, 14])
    kind = KINDS[seed % len(KINDS)]
    has_vessel = kind == "small vessel"
    margin, width = float(rng.uniform(0.2e5, 0.6e5)), float(rng.uniform(0.3e5, 0.8e5))
    if kind == "no regulator":
        width = set_pa * float(rng.uniform(0.01, 0.04))
        margin = -0.5 * width
    targets = np.array(refills_s)
    if is_slow:
        targets = _FOR_SHARED * targets
    if has_vessel:  # it serves every pulse of the baghouse
        targets = np.maximum(targets * interval_share, 3.0)
    target_s = float(targets.mean())
    net = Net(
        kind=kind,
        set_pa=set_pa,
        vessel_m3=float(rng.uniform(0.1, 0.2) if has_vessel else rng.uniform(0.3, 0.6)),
        line=float(rng.uniform(0.5, 0.9) if has_vessel else rng.uniform(2.0, 4.0)),
        feed=target_s / targets,
        band_pa=set_pa * float(rng.uniform(0.04, 0.08)),
        lag_s=float(rng.uniform(0.2, 0.4)),
        load_pa=set_pa + margin,
        unload_pa=set_pa + margin + width,
    ).scaled(VOLUME_M3 / (R_AIR * WALL_K * target_s))
    for _ in range(_ROUNDS):
        net = net.scaled(_recovery_s(net, drop_frac, target_s) / target_s)
    return net


def rates(net: Net, slow: States, open_m2: Floats, states: States) -> States:
    """Rates of change of headers (headers, lanes), regulators' openings, and the vessel (1, lanes).

    slow: absolute pressure of the receiver, feed shares and holes.
    """
    receiver, share, hole_m2 = slow
    pressure, opening, vessel = states
    set_pa = net.set_pa + ATMOSPHERE_PA
    by_header = net.kind == "header regulators"
    outlet = pressure if by_header else vessel
    if net.kind == "no regulator":
        wanted = np.ones_like(outlet)
    else:  # np.clip takes five times as long
        wanted = np.minimum(np.maximum((set_pa - outlet) / net.band_pa, 0.0), 1.0)
    line = net.line * receiver * np.maximum(drive(vessel, receiver, _SOFT_LINE), 0.0)
    feed = net.feed[:, None] * share * vessel * np.maximum(drive(pressure, vessel, _SOFT), 0.0)
    if by_header:
        feed = feed * opening
    else:
        line = line * opening
    area_m2 = open_m2 + hole_m2
    out = area_m2
    if area_m2.any():
        out = area_m2 * outflow_kg_s_m2(pressure, np.full_like(pressure, WALL_K))
    per_kg = R_AIR * WALL_K
    return (
        per_kg / VOLUME_M3 * (feed - out),
        (wanted - opening) / net.lag_s,
        per_kg / net.vessel_m3 * (line - np.add.reduce(feed, axis=0, keepdims=True)),
    )


def at_rest(net: Net, receiver: Floats) -> States:
    """States of a net that has stood without pulses, before absolute pressures (lanes,)."""
    level = receiver[None, :]
    if net.kind != "no regulator":
        level = np.minimum(level, net.set_pa + ATMOSPHERE_PA)
    headers = np.repeat(level, net.feed.size, axis=0)
    by_header = net.kind == "header regulators"
    opening = np.zeros_like(headers if by_header else level)
    return headers, opening, (receiver[None, :] if by_header else level).copy()


def relaxed(net: Net, slow: States, states: States, seconds: float) -> tuple[Floats, Floats]:
    """Times, and header pressures (times, headers, lanes) while no valve opens (midpoint rule)."""
    unit_s = _unit_s(net)
    step_s = min(0.8 * _STEP_SHARE * unit_s, 0.4 * _MAX_STEP_S)
    shut, course = np.zeros_like(states[0]), [states[0]]
    for _ in range(int(seconds / step_s)):
        first = rates(net, slow, shut, states)
        middle = tuple(y + 0.5 * step_s * dy for y, dy in zip(states, first, strict=True))
        slope = rates(net, slow, shut, middle)
        states = tuple(y + step_s * dy for y, dy in zip(states, slope, strict=True))
        course.append(states[0])
    return step_s * np.arange(len(course), dtype=np.float64), np.array(course)


def _unit_s(net: Net) -> float:
    """Volume over the widest feed: the time scale of a header's refill."""
    return float(VOLUME_M3 / (R_AIR * WALL_K * net.feed.max()))


def _recovery_s(net: Net, drop_frac: float, about_s: float) -> float:
    """Time in which header 1 alone recovers 95 % of a healthy drop."""
    receiver = np.array([0.5 * (net.load_pa + net.unload_pa) + ATMOSPHERE_PA])
    states = at_rest(net, receiver)
    before = float(states[0][0, 0])
    low = before - drop_frac * (before - ATMOSPHERE_PA)
    states[0][0, 0] = low
    sound = np.ones_like(states[0])
    at_s, course = relaxed(net, (receiver, sound, 0.0 * sound), states, 4.0 * about_s)
    return float(np.interp(low + 0.95 * (before - low), course[:, 0, 0], at_s))


def leak_area(plan: AirPlan, net: Net) -> float:
    """Hole through which the header with the leak stands lower by the planted share."""
    if not plan.planted.fault.leak:
        return 0.0
    at = plan.planted.compartment - 1
    widest = 0.9 * float(net.feed[at]) * np.sqrt(WALL_K) / CHOKED
    candidates = np.linspace(0.0, widest, 40)
    mean = 0.5 * (net.load_pa + net.unload_pa) + ATMOSPHERE_PA
    level = _levels(net, at, np.full(40, mean), candidates)
    wanted = (level[0] - ATMOSPHERE_PA) * (1.0 - plan.planted.fault.leak) + ATMOSPHERE_PA
    return float(np.interp(-wanted, -level, candidates))


def _levels(net: Net, at: int, receiver: Floats, hole_m2: Floats) -> Floats:
    """Absolute pressure (lanes,) at which one header stands without pulses."""
    states = at_rest(net, receiver)
    holes = np.zeros_like(states[0])
    holes[at] = hole_m2
    _, course = relaxed(net, (receiver, np.ones_like(holes), holes), states, _RELAX_S)
    level: Floats = course[-1, at]
    return level


def simulate(plan: AirPlan, span_s: tuple[float, float]) -> AirDay:
    """Simulate a span of whole days."""
    net = draw_net(plan)
    planted, headers = plan.planted, range(1, plan.compartments + 1)
    receiver_pa = _receiver(plan, net, span_s)
    pulses = plan.pulses.between(span_s[0] - LEAD_S, span_s[1])
    share = pulses.drop_frac * plan.set_pa / (plan.set_pa + ATMOSPHERE_PA)
    area = area_for_drop(share, VOLUME_M3, 1.0, WALL_K, VALVE.open_s)
    hole = leak_area(plan, net)
    holes = np.array([hole * (c == planted.compartment) for c in headers])[:, None]

    def inputs(at_s: Floats) -> States:
        feed = np.array([planted.feed(c, at_s) for c in headers])
        return receiver_pa(at_s) + ATMOSPHERE_PA, feed, holes * (at_s >= planted.from_s)

    course = integrate(
        pulses,
        span_s,
        area,
        lambda at_s: at_rest(net, receiver_pa(at_s) + ATMOSPHERE_PA),
        inputs,
        lambda slow, open_m2, states: rates(net, slow, open_m2, states),
        min(_STEP_SHARE * _unit_s(net), _MAX_STEP_S),
    )
    return AirDay(
        plan=plan,
        span_s=span_s,
        header_pa=tuple(gauge(course.of(c - 1)) for c in headers),
        supply_pa=receiver_pa,
        plateau_pa=tuple(_plateau(plan, net, c, hole, receiver_pa) for c in headers),
    )


def _receiver(plan: AirPlan, net: Net, span_s: tuple[float, float]) -> Callable[[Floats], Floats]:
    """Receiver over a span: a compressor between two pressures, others' demand, the shortage."""
    rng = np.random.default_rng([plan.seed, 15, round(span_s[0])])
    at_s = np.arange(span_s[0] - LEAD_S - _STEP_S, span_s[1] + 2.0 * _STEP_S, _STEP_S)
    width = net.unload_pa - net.load_pa
    period_s = rng.uniform(60.0, 600.0)
    wave = np.sin(2.0 * np.pi * at_s / rng.uniform(3600.0, 20_000.0) + rng.uniform(0.0, 6.3))
    falls = 2.0 * width / period_s * _STEP_S * (1.0 + 0.4 * wave)
    rises = 4.0 * width / period_s * _STEP_S - falls
    level, loads, course = net.load_pa + width * float(rng.random()), True, []
    for fall, rise in zip(falls.tolist(), rises.tolist(), strict=True):
        level += rise if loads else -fall
        loads = level < net.unload_pa if loads else level < net.load_pa
        course.append(level)
    # A shortage is one of the headers: what the receiver has above their pressure goes first.
    above = max(0.5 * (net.load_pa + net.unload_pa) - net.set_pa, 0.0)
    short_pa = plan.planted.shortage_pa(at_s)
    deep = short_pa * (1.0 + above / plan.planted.short_pa) if plan.planted.short_pa else short_pa
    wander = (plan.supply_pa(at_s) + short_pa) / plan.set_pa
    table = np.array(course) * wander - deep
    return lambda at: np.interp(at, at_s, table)


def _plateau(
    plan: AirPlan, net: Net, compartment: int, hole: float, receiver_pa: Callable[[Floats], Floats]
) -> Callable[[Floats], Floats]:
    """Level without pulses, as far as the receiver's pressure of the moment decides it."""
    is_leaky = compartment == plan.planted.compartment and hole > 0.0
    seen = receiver_pa(plan.pulses.at_s)
    grid = np.linspace(float(seen.min()), float(seen.max()) + 1.0, 24) + ATMOSPHERE_PA
    leaky = _levels(net, compartment - 1, grid, np.full(24, hole)) if is_leaky else grid

    def plateau_pa(at_s: Floats) -> Floats:
        receiver = receiver_pa(at_s) + ATMOSPHERE_PA
        level: Floats = at_rest(net, receiver)[0][compartment - 1] - ATMOSPHERE_PA
        if is_leaky:
            low = np.interp(receiver, grid, leaky) - ATMOSPHERE_PA
            level = np.where(at_s >= plan.planted.from_s, low, level)
        return level

    return plateau_pa
