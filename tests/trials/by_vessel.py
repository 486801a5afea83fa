"""The second simulator: a header as drawn, turned into the vessel of `vessel` and its calls."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from trials.flow import ATMOSPHERE_PA, R_AIR, Valve, area_for_drop
from trials.header_day import HeaderDay
from trials.rows import HeaderPlan
from trials.schedule import Floats, Schedule
from trials.vessel import Curves, Feed, Openings, Vessel, along, solve

WALL_K = 293.15
VOLUME_M3 = 0.2
SOFT_SHARE = 0.02  # of a healthy drop; chosen: the orifice is turbulent but for the last bit
WANDER = 0.06  # largest slow swing of the feed, as a share; with the load steps: 0.1
STEP = 0.04  # largest load step, as a share
STEP_RAMP_S = 6.0
_TAIL_OF_T95 = 2.0 * (1.0 - np.sqrt(0.05))  # sqrt law: t95 = this sqrt(drop) / rate


def simulate_vessel(rng: np.random.Generator, header: HeaderPlan, schedule: Schedule) -> HeaderDay:
    """Simulate one trial; pressures of the result are gauge."""
    feed = draw_feed(rng, header.set_pa, schedule.seconds)
    vessel = draw_vessel(rng, header)
    openings = _openings(rng, vessel, header, schedule)
    curves = solve(vessel, openings, feed, schedule.seconds)
    before, drop, after, tau = _truth(curves, openings, feed, schedule.seconds)
    return HeaderDay(
        schedule=schedule,
        pressure_pa=lambda at_s: pressure_at(curves, openings.fire_s, feed, at_s) - ATMOSPHERE_PA,
        before_pa=before - ATMOSPHERE_PA,
        drop_pa=drop,
        minimum_after_s=after,
        tau_s=tau,
    )


def draw_feed(rng: np.random.Generator, set_pa: float, seconds: float) -> Feed:
    """Draw the pressure behind the regulator: three slow waves and load steps, within 10 %."""
    periods, phases = rng.uniform(1200.0, 10800.0, 3), rng.uniform(0.0, 2.0 * np.pi, 3)
    size = rng.uniform(0.3, 1.0) * WANDER / 3.0
    edges = np.cumsum(rng.uniform(300.0, 1800.0, int(seconds / 300.0) + 4))
    levels = -rng.uniform(0.3, 1.0) * STEP * rng.integers(0, 2, edges.size)
    corner_s = np.column_stack((edges, edges + STEP_RAMP_S)).ravel()
    corner = np.column_stack((np.concatenate(([0.0], levels[:-1])), levels)).ravel()

    def feed(at_s: Floats) -> Floats:
        waves = np.sin(2.0 * np.pi * at_s / periods[:, None] + phases[:, None]).sum(axis=0)
        share: Floats = 1.0 + size * waves + np.interp(at_s, corner_s, corner)
        pressure: Floats = ATMOSPHERE_PA + set_pa * share
        return pressure

    return feed


def draw_vessel(rng: np.random.Generator, header: HeaderPlan) -> Vessel:
    """Draw the build of a header whose healthy drop is recovered to 95 % in `refill_s`."""
    n = float(rng.uniform(1.0, 1.4))
    drop_pa = header.drop_frac * header.set_pa
    rate_pa05_s = _TAIL_OF_T95 * np.sqrt(drop_pa) / header.refill_s
    return Vessel(
        volume_m3=VOLUME_M3,
        n=n,
        wall_k=WALL_K,
        warming_s=float(rng.uniform(10.0, 40.0)),
        feed_kg_s_pa05=rate_pa05_s * VOLUME_M3 / (n * R_AIR * WALL_K),
        softness_pa=SOFT_SHARE * drop_pa,
        valve=Valve(closes_s=float(rng.uniform(0.04, 0.08))),
    )


def _openings(
    rng: np.random.Generator, vessel: Vessel, header: HeaderPlan, schedule: Schedule
) -> Openings:
    of_row = schedule.row - 1
    own = 1.0 + header.row_spread * rng.standard_normal(len(header.rows))
    scatter = 1.0 + header.pulse_spread * rng.standard_normal(of_row.size)
    share = np.array([row.drop_share for row in header.rows])[of_row]
    one_in = np.array([row.one_in for row in header.rows])[of_row]
    share = np.where((one_in > 0) & (rng.random(of_row.size) * one_in < 1.0), 0.0, share)
    gauge = header.drop_frac * own[of_row] * scatter * share
    absolute = gauge * header.set_pa / (header.set_pa + ATMOSPHERE_PA)
    area = area_for_drop(absolute, vessel.volume_m3, vessel.n, vessel.wall_k, vessel.valve.open_s)
    return Openings(
        fire_s=schedule.fire_s,
        area_m2=area,
        late_s=np.array([row.late_s for row in header.rows])[of_row],
        late_flow=np.array([row.late_flow for row in header.rows])[of_row],
    )


def pressure_at(curves: Curves, fire_s: Floats, feed: Feed, at_s: Floats) -> Floats:
    """Absolute pressure at any instants."""
    last = np.searchsorted(fire_s, at_s, side="right") - 1
    call = np.maximum(last, 0)
    since_s = at_s - fire_s[call]
    on_curve = along(curves.node_s, curves.pressure_pa, call, np.maximum(since_s, 0.0))
    at_rest = (last < 0) | (since_s > curves.node_s[-1])
    return np.where(at_rest, feed(at_s), on_curve)


def _truth(
    curves: Curves, openings: Openings, feed: Feed, seconds: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Before, drop, time of the minimum and `tau_s` of `HeaderDay`, for every call."""
    interval_s = np.diff(openings.fire_s, append=seconds)
    inside = curves.node_s[None, :] <= interval_s[:, None]
    pressure = np.where(inside, curves.pressure_pa, np.nan)
    before, opened = pressure[:, 0], openings.area_m2 > 0.0
    lowest = np.nanargmin(pressure, axis=1)
    line = np.arange(before.size)
    drop = np.where(opened, before - pressure[line, lowest], 0.0)
    later = np.arange(curves.node_s.size)[None, :] > lowest[:, None]
    full = feed(openings.fire_s)
    # A drop from the plateau: what earlier pulses left missing is recovered before.
    begin_s, end_s = (
        _back_s(curves, pressure, later, lowest, full - share * drop)
        for share in (1.0, float(np.exp(-1.0)))
    )
    tau = np.where(opened, end_s - begin_s, np.nan)
    return before, drop, np.where(opened, curves.node_s[lowest], np.nan), tau


def _back_s(
    curves: Curves,
    pressure: Floats,
    later: npt.NDArray[np.bool_],
    lowest: npt.NDArray[np.int64],
    level: Floats,
) -> Floats:
    """When each call's pressure is back at a level [s], not before its minimum; nan where never."""
    line = np.arange(level.size)
    back = later & (np.nan_to_num(pressure, nan=-1.0) >= level[:, None])
    first = np.maximum(np.argmax(back, axis=1), 1)
    ahead, reached = pressure[line, first - 1], pressure[line, first]
    share = np.clip((level - ahead) / np.where(reached > ahead, reached - ahead, np.inf), 0.0, 1.0)
    at_s = curves.node_s[first - 1] + share * (curves.node_s[first] - curves.node_s[first - 1])
    return np.where(back.any(axis=1), np.maximum(at_s, curves.node_s[lowest]), np.nan)
