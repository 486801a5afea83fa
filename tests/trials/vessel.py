"""The header as a vessel of air: an ordinary differential equation on absolute pressure and mass.

    V dp/dt = n R (T_in m_in - T m_out) + V p (T_wall / T - 1) / tau_T,    dm/dt = m_in - m_out

with n between 1 (isothermal) and 1.4 (adiabatic). Air leaves through the valve (`flow`) and comes
in through an orifice, m_in ~ sqrt(p_feed - p), which is not first order. All calls of a trial are
corrected side by side (Runge-Kutta, fourth order) from guessed starts; each end then gives the
next start, again and again until no start moves any more, which is the solution in sequence.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from trials.flow import R_AIR, Valve, outflow_kg_s_m2
from trials.schedule import Floats

SETTLED_PA = 20.0  # chosen: a tenth of the resolution of a 12-bit transmitter of 10 bar
MOST_ROUNDS = 60
# Steps [s] up to a time since the call [s]; fine while a valve may move.
_OPENING, _CLOSING, _REFILL, _REST = (0.4, 0.005), (0.8, 0.01), (8.0, 0.1), (60.0, 0.4)
_BLOCK = 25  # steps between two looks at which calls still matter
_CLOSED_S = 1.2  # a valve is shut to a millionth this long after its signal


@dataclass(frozen=True, slots=True)
class Vessel:
    """Build of a header. softness_pa: below this difference the feed orifice turns laminar."""

    volume_m3: float
    n: float
    wall_k: float
    warming_s: float
    feed_kg_s_pa05: float
    softness_pa: float
    valve: Valve


@dataclass(frozen=True, slots=True)
class Openings:
    """Calls of one header in order of time, shape (n,) each; areas are effective (Cd A)."""

    fire_s: Floats
    area_m2: Floats
    late_s: Floats
    late_flow: Floats


@dataclass(frozen=True, slots=True)
class Curves:
    """Absolute pressure after each call: nodes [s since the call], and values (n, nodes).

    Values end (nan) at the first node after the next call; after the last node pressure is that
    of the feed.
    """

    node_s: Floats
    pressure_pa: Floats
    kelvin: Floats


Feed = Callable[[Floats], Floats]  # instants [s] -> absolute pressure before the orifice [Pa]


def nodes(latest_s: float) -> Floats:
    """Times since the call at which the curves are worked out; valves close up to latest_s late."""
    closed = (_CLOSING[0] + np.ceil(10.0 * latest_s) / 10.0, _CLOSING[1])
    parts: list[Floats] = [np.zeros(1)]
    low = 0.0
    for high, step in (_OPENING, closed, _REFILL, _REST):
        parts.append(low + step * np.arange(1, round((high - low) / step) + 1))
        low = high
    return np.concatenate(parts)


def solve(vessel: Vessel, openings: Openings, feed: Feed, until_s: float) -> Curves:
    """Work out every call. Raises ArithmeticError where the starts do not settle."""
    starts = np.stack([feed(openings.fire_s), np.full(openings.fire_s.size, vessel.wall_k)])
    interval_s = np.diff(openings.fire_s, append=until_s)
    rest = np.stack([feed(openings.fire_s + interval_s), starts[1]])
    gain, before = np.zeros_like(starts), None
    for _ in range(MOST_ROUNDS):
        curves = _integrate(vessel, openings, feed, interval_s, starts)
        ends = _ends(curves, interval_s, rest)
        moved = float(np.abs(ends[0, :-1] - starts[0, 1:]).max(initial=0.0))
        if moved < SETTLED_PA:
            return curves
        if not np.isfinite(moved):
            raise ArithmeticError("the pressure at the end of a call is no number")
        if before is not None:
            gain = _gain(starts - before[0], ends - before[1], gain)
        before = starts, ends
        starts = _next_starts(starts, ends, gain)
    raise ArithmeticError(f"starts still move by {moved:.1f} Pa after {MOST_ROUNDS} rounds")


def _gain(d_start: Floats, d_end: Floats, known: Floats) -> Floats:
    """How much of a change of its start each call hands on, by secant; as known where unmoved."""
    moved = np.abs(d_start) > np.array([[1.0], [1e-3]])  # Pa, K
    share = np.divide(d_end, d_start, out=known.copy(), where=moved)
    return np.clip(share, 0.0, 0.95)


def _next_starts(starts: Floats, ends: Floats, gain: Floats) -> Floats:
    """Next guess of all starts: each end, corrected for what its own start will change by."""
    corrected = starts.copy()
    for of, (start, end, share) in enumerate(zip(starts, ends, gain, strict=True)):
        change, line = 0.0, []
        columns = (one.tolist() for one in (end[:-1], share[:-1], start[1:]))
        for e, g, following in zip(*columns, strict=True):
            change = e + g * change - following
            line.append(change)
        corrected[of, 1:] += line
    return corrected


def rates(
    vessel: Vessel, pressure_pa: Floats, mass_kg: Floats, feed_pa: Floats, open_m2: Floats | None
) -> tuple[Floats, Floats]:
    """Return dp/dt [Pa/s] and dm/dt [kg/s]; open_m2: None where every valve is shut."""
    ahead = feed_pa - pressure_pa
    gain = vessel.feed_kg_s_pa05 * ahead / np.sqrt(np.abs(ahead) + vessel.softness_pa)
    per_mass = R_AIR / vessel.volume_m3
    swept = vessel.wall_k * gain
    if open_m2 is not None:
        kelvin = pressure_pa / (mass_kg * per_mass)
        loss = open_m2 * outflow_kg_s_m2(pressure_pa, kelvin)
        gain, swept = gain - loss, swept - kelvin * loss
    warming = (vessel.wall_k * per_mass * mass_kg - pressure_pa) / vessel.warming_s
    return vessel.n * per_mass * swept + warming, gain


def _integrate(
    vessel: Vessel,
    openings: Openings,
    feed: Feed,
    interval_s: Floats,
    starts: Floats,
) -> Curves:
    node_s = nodes(float(openings.late_s.max(initial=0.0)))
    pressure = np.full((node_s.size, starts.shape[1]), np.nan)
    kelvin = np.full_like(pressure, np.nan)
    pressure[0], kelvin[0] = starts
    # Rows share how late their valves close, so each way to close is worked out once.
    lateness = np.stack((openings.late_s, openings.late_flow))
    ways, way = np.unique(lateness, axis=1, return_inverse=True)
    for first in range(0, node_s.size - 1, _BLOCK):
        at_s = node_s[first : first + _BLOCK + 1]
        on = np.flatnonzero(interval_s > at_s[0])
        if not on.size:
            break
        p, k = pressure[first, on], kelvin[first, on]
        m = p * vessel.volume_m3 / (R_AIR * k)
        fire_s, area_m2 = openings.fire_s[on], openings.area_m2[on]
        half_s = np.sort(np.concatenate((at_s, (at_s[:-1] + at_s[1:]) / 2.0)))
        inputs = [
            (feed_pa, area_m2 * opened[way[on]] if opened.any() else None)
            for feed_pa, opened in zip(
                _straight(feed, fire_s, half_s), _opened(vessel.valve, half_s, ways), strict=True
            )
        ]
        for j, step in enumerate(np.diff(at_s).tolist(), start=1):
            p, m = _step(vessel, step, inputs[2 * j - 2 : 2 * j + 1], p, m)
            pressure[first + j, on], kelvin[first + j, on] = p, p * vessel.volume_m3 / (m * R_AIR)
    return Curves(node_s, pressure.T, kelvin.T)


Inputs = tuple[Floats, Floats | None]  # pressure before the orifice [Pa]; open area [m2], if any


def _straight(feed: Feed, fire_s: Floats, at_s: Floats) -> Floats:
    """Pressure before the orifice so long after the calls, (k, n); straight, as it is slow."""
    first, last = (feed(fire_s + at_s[end]) for end in (0, -1))
    into = (at_s - at_s[0]) / (at_s[-1] - at_s[0])
    return np.asarray(first + into[:, None] * (last - first))


def _opened(valve: Valve, at_s: Floats, ways: Floats) -> Floats:
    """Open share of a valve so long after its signal for each way to close, shape (k, n_ways)."""
    late_s, late_flow = ways
    share = valve.opening(at_s[:, None], late_s, late_flow)
    return np.where(late_s > at_s[:, None] - _CLOSED_S, share, 0.0)


def _step(
    vessel: Vessel, step: float, inputs: Sequence[Inputs], p: Floats, m: Floats
) -> tuple[Floats, Floats]:
    """One step of Runge-Kutta. inputs: at its begin, middle and end."""
    dp, dm = total_p, total_m = rates(vessel, p, m, *inputs[0])
    for nth, ahead, weight in ((1, 0.5, 2.0), (1, 0.5, 2.0), (2, 1.0, 1.0)):
        dp, dm = rates(vessel, p + ahead * step * dp, m + ahead * step * dm, *inputs[nth])
        total_p, total_m = total_p + weight * dp, total_m + weight * dm
    return p + step / 6.0 * total_p, m + step / 6.0 * total_m


def _ends(curves: Curves, interval_s: Floats, rest: Floats) -> Floats:
    """Pressure and temperature at the next call, shape (2, n); `rest` where the curve has ended."""
    calls = np.arange(interval_s.size)
    on_curve = np.stack(
        [
            along(curves.node_s, values, calls, interval_s)
            for values in (curves.pressure_pa, curves.kelvin)
        ]
    )
    ends: Floats = np.where(interval_s > curves.node_s[-1], rest, on_curve)
    return ends


def along(
    node_s: Floats, values: Floats, call: np.ndarray[tuple[int], np.dtype[np.int64]], at_s: Floats
) -> Floats:
    """Straight lines between the nodes of given calls, shape (k,)."""
    right = np.clip(np.searchsorted(node_s, at_s), 1, node_s.size - 1)
    share = (at_s - node_s[right - 1]) / (node_s[right] - node_s[right - 1])
    left: Floats = values[call, right - 1]
    return left + np.clip(share, 0.0, 1.0) * (values[call, right] - left)
