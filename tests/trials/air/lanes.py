"""All pulses of a span integrated in lanes: fourth-order Runge-Kutta on every header at once.

A header forgets: some minutes of pulses before a stretch bring it into its cycle from any start.
So the span is cut into stretches of equally many pulses, which run side by side as lanes, each
with a lead of pulses that is thrown away. Steps follow the pulses: fine while a valve moves, then
equal parts of what is left of each interval.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from trials.air.air_plan import LATE_FLOW, Pulses
from trials.flow import Valve
from trials.schedule import Floats, Ints

VALVE = Valve()
_LANE = 12  # pulses of a lane that are kept, fewer of a short span:
_MIN_LANES = 100  # chosen: so many cost hardly more than one
_LEAD_S = 300.0  # of pulses before them; chosen: twice what the slowest headers remember
_FINE_S = np.array([*np.arange(10) / 50.0, *np.arange(5, 10) / 25.0, 0.4, 0.5, 0.6, 0.8, 1.0])
_FINE_END_S = 1.2  # a valve is shut to a millionth, one that is 0.7 s late to a thousandth
_STAGES = (0.0, 0.5, 0.5, 1.0)  # of a step; the middle two weigh double

States = tuple[Floats, ...]  # each (headers, lanes)
# (inputs, open area by header (headers, lanes), states) -> rates of change of the states
Rates = Callable[[States, Floats, States], States]


@dataclass(frozen=True, slots=True)
class Course:
    """First state (a pressure) of every header at nodes, shapes (nodes,) and (headers, nodes)."""

    at_s: Floats
    pressure_pa: Floats

    def of(self, header: int) -> Callable[[Floats], Floats]:
        """Pressure of one header at instants."""
        return lambda at_s: np.interp(at_s, self.at_s, self.pressure_pa[header])


def integrate(
    pulses: Pulses,
    span_s: tuple[float, float],
    area_m2: Floats,
    start: Callable[[Floats], States],
    inputs: Callable[[Floats], States],
    rates: Rates,
    max_step_s: float,
) -> Course:
    """Integrate the headers over a span.

    Args:
        pulses: of all headers, from minutes before the span on.
        area_m2: of each pulse's valve, fully open.
        start: states at rest at instants (lanes,).
        inputs: what moves slowly (supply, faults) at instants (lanes,); once a step.
        max_step_s: beyond the fine steps.
    """
    at_s = pulses.at_s
    gap_s = np.diff(at_s, append=at_s[-1] + float(np.median(np.diff(at_s))))
    first = int(np.searchsorted(at_s, span_s[0])) - 1  # the pulse whose refill the span begins in
    lead = first - int(np.searchsorted(at_s, at_s[first] - _LEAD_S))
    lane = min(_LANE, 1 + (at_s.size - first) // _MIN_LANES)
    n_lanes = -(-(at_s.size - first) // lane)
    begin = first + lane * np.arange(n_lanes, dtype=np.int64)
    states = start(at_s[begin - lead])
    n_rest = int(np.ceil((float(gap_s.max()) - _FINE_END_S) / max_step_s))
    rest = np.arange(n_rest + 1) / n_rest
    times, kept = [], []
    for turn in range(-lead, lane):
        which = np.minimum(begin + turn, at_s.size - 1)
        nodes = [*_FINE_S, *(_FINE_END_S + (gap_s[which] - _FINE_END_S) * part for part in rest)]
        own = np.zeros_like(states[0])
        own[pulses.compartment[which] - 1, np.arange(n_lanes)] = area_m2[which]
        for node, after in pairwise(nodes):
            if turn >= 0:
                times.append(at_s[which] + node)
                kept.append(states[0])
            middle_s = at_s[which] + 0.5 * (node + after)
            ends = (node, after)
            states = _step(rates, inputs(middle_s), ends, own, pulses.late_s[which], states)
    return _joined(np.array(times), np.array(kept), begin, at_s.size, lane)


def _step(
    rates: Rates,
    inputs: States,
    ends: tuple[Floats | float, Floats | float],
    area_m2: Floats,
    late_s: Floats,
    states: States,
) -> States:
    node, step_s = np.asarray(ends[0]), np.asarray(ends[1] - ends[0])
    is_open = bool(np.max(node) < _FINE_END_S)
    opened, late_flow = np.zeros_like(area_m2), np.full_like(late_s, LATE_FLOW)
    here, slopes = states, list[States]()
    for share in _STAGES:
        if share:
            part_s = share * step_s
            here = tuple(y + part_s * dy for y, dy in zip(states, slopes[-1], strict=True))
        if is_open:
            opened = area_m2 * VALVE.opening(node + share * step_s, late_s, late_flow)
        slopes.append(rates(inputs, opened, here))
    sixth_s = step_s / 6.0
    return tuple(
        y + sixth_s * (first + 2.0 * (second + third) + last)
        for y, first, second, third, last in zip(states, *slopes, strict=True)
    )


def _joined(times: Floats, kept: Floats, begin: Ints, n_pulses: int, lane: int) -> Course:
    """Lanes one after the other; what runs beyond the last pulse is cut off."""
    per_pulse = times.shape[0] // lane
    n_last = per_pulse * (n_pulses - int(begin[-1]))
    size = times.shape[0] * (begin.size - 1) + n_last
    at_s = times.T.ravel()[:size]
    pressure = kept.transpose(1, 2, 0).reshape(kept.shape[1], -1)[:, :size]
    return Course(at_s, np.ascontiguousarray(pressure))
