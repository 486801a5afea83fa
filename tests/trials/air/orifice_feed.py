"""Second physics: vessels of air fed through orifices from one wandering supply.

Mass and pressure of each header as in `vessel`, polytropic with walls that warm the air again, or
isothermal; out through the valve and a leak as isentropic nozzles (`flow`), in through an orifice
after ISO 6358 with critical ratio 0.528, choked or not, laminar for the last bit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trials.air.air_day import AirDay
from trials.air.air_plan import LEAD_S, AirPlan
from trials.air.lanes import VALVE, States, integrate
from trials.flow import ATMOSPHERE_PA, CRITICAL, R_AIR, area_for_drop, outflow_kg_s_m2
from trials.schedule import Floats

WALL_K = 293.15
VOLUME_M3 = 0.2
_SOFT = 0.02  # of the driving term at a healthy drop; chosen
_MAX_STEP_SHARE = 0.05  # of the recovery to 95 %: stable where the orifice turns laminar
_TAIL = 1.0 - float(np.sqrt(0.05))


def tail(recovered: float) -> float:
    """Time to recover 95 %, in the time in which a share is recovered: as a square root.

    A header that never fills starts each refill from drop / recovered below its plateau.
    """
    return _TAIL * float(np.sqrt(recovered)) / (1.0 - float(np.sqrt(1.0 - recovered)))


@dataclass(frozen=True, slots=True)
class Build:
    """Headers of a plan. feed_kg_s_pa: inflow per absolute supply and driving term, (headers,)."""

    n: float
    warming_s: float
    feed_kg_s_pa: Floats
    soft: float


def drive(pressure_pa: Floats, supply_pa: Floats, soft: float) -> Floats:
    """ISO 6358 sqrt(1 - ((r - b) / (1 - b))^2), negative for flow back; absolute pressures."""
    x = np.maximum((pressure_pa / supply_pa - CRITICAL) / (1.0 - CRITICAL), 0.0)
    z = (1.0 - x) * (1.0 + x)
    flow: Floats = z / np.sqrt(np.abs(z) + soft)
    return flow


def draw_build(plan: AirPlan) -> Build:
    """Draw the air's warming, and feeds that recover a healthy drop in its time."""
    rng = np.random.default_rng([plan.seed, 12])
    n = 1.0 if rng.random() < 0.5 else float(rng.uniform(1.1, 1.4))
    supply = plan.set_pa + ATMOSPHERE_PA
    low = plan.set_pa * (1.0 - plan.drop_frac) + ATMOSPHERE_PA
    soft = _SOFT * float(drive(np.array(low), np.array(supply), 0.0)) ** 2
    level = np.linspace(low, supply - 0.05 * plan.drop_frac * plan.set_pa, 400)
    # Isothermal: dt = V dp / (R T K supply drive).
    unit_s = float(np.trapezoid(1.0 / drive(level, np.full(400, supply), soft), level))
    per_k = VOLUME_M3 * unit_s / (n * R_AIR * WALL_K * supply)
    feed = per_k / np.array(plan.refills_s(tail))
    return Build(n, float(rng.uniform(10.0, 40.0)), feed, soft)


def simulate(plan: AirPlan, span_s: tuple[float, float]) -> AirDay:
    """Simulate a span of whole days."""
    build = draw_build(plan)
    pulses = plan.pulses.between(span_s[0] - LEAD_S, span_s[1])
    share = pulses.drop_frac * plan.set_pa / (plan.set_pa + ATMOSPHERE_PA)
    area = area_for_drop(share, VOLUME_M3, build.n, WALL_K, VALVE.open_s)
    leak = leak_areas(plan, build)[:, None]
    headers = range(1, plan.compartments + 1)
    planted = plan.planted

    def start(at_s: Floats) -> States:
        pressure = np.tile(plan.supply_pa(at_s) + ATMOSPHERE_PA, (len(headers), 1))
        return pressure, pressure * VOLUME_M3 / (R_AIR * WALL_K)

    def inputs(at_s: Floats) -> States:
        supply = plan.supply_pa(at_s) + ATMOSPHERE_PA
        feed = np.array([planted.feed(c, at_s) for c in headers])
        return supply, build.feed_kg_s_pa[:, None] * feed * supply, leak * (at_s >= planted.from_s)

    def rates(slow: States, open_m2: Floats, states: States) -> States:
        supply, feed, hole_m2 = slow
        pressure, mass = states
        kelvin = pressure * VOLUME_M3 / (mass * R_AIR)
        m_in = feed * drive(pressure, supply, build.soft)
        m_out = (open_m2 + hole_m2) * outflow_kg_s_m2(pressure, kelvin)
        swept = build.n * R_AIR / VOLUME_M3 * (WALL_K * m_in - kelvin * m_out)
        warming = pressure * (WALL_K / kelvin - 1.0) / build.warming_s
        return swept + warming, m_in - m_out

    step_s = _MAX_STEP_SHARE * min(plan.refills_s(tail))
    course = integrate(pulses, span_s, area, start, inputs, rates, step_s)
    return AirDay(
        plan=plan,
        span_s=span_s,
        header_pa=tuple(gauge(course.of(c - 1)) for c in headers),
        supply_pa=plan.supply_pa,
        plateau_pa=tuple(_plateau(plan, c) for c in headers),
    )


def leak_areas(plan: AirPlan, build: Build) -> Floats:
    """Holes of all headers that let them stand lower by the planted share, at the mean supply."""
    supply = np.array([plan.set_pa + ATMOSPHERE_PA])
    level = supply - plan.planted.fault.leak * plan.set_pa
    m_in = build.feed_kg_s_pa * supply * drive(level, supply, build.soft)
    area: Floats = m_in / outflow_kg_s_m2(level, np.array([WALL_K]))
    number = np.arange(1, plan.compartments + 1)
    return np.where(number == plan.planted.compartment, area, 0.0)


def _plateau(plan: AirPlan, compartment: int) -> Callable[[Floats], Floats]:
    """Level without pulses: feed and leak grow alike with absolute supply, so their ratio stays."""

    def plateau_pa(at_s: Floats) -> Floats:
        lost = plan.planted.leak(compartment, at_s) * plan.set_pa / (plan.set_pa + ATMOSPHERE_PA)
        level: Floats = (plan.supply_pa(at_s) + ATMOSPHERE_PA) * (1.0 - lost) - ATMOSPHERE_PA
        return level

    return plateau_pa


def gauge(absolute: Callable[[Floats], Floats]) -> Callable[[Floats], Floats]:
    """A pressure above the atmosphere."""
    return lambda at_s: absolute(at_s) - ATMOSPHERE_PA
