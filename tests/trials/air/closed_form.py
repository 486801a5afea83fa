"""First physics: `rowcall_plant`'s closed form, choked blow-down and first-order refill."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from rowcall_plant.physics.header import Calls, at_rest, blow_down, pressure_at
from trials.air.air_day import AirDay
from trials.air.air_plan import LATE_FLOW, LEAD_S, AirPlan
from trials.schedule import Floats

OPENING_S = 0.15  # as of the plant's header
_T95 = float(np.log(20.0))


def tail(recovered: float) -> float:
    """Time to recover 95 %, in the time in which a share is recovered."""
    return _T95 / -float(np.log1p(-recovered))


def simulate(plan: AirPlan, span_s: tuple[float, float]) -> AirDay:
    """Simulate a span of whole days."""
    taus_s = [one / _T95 for one in plan.refills_s(tail)]
    headers = [_header(plan, c, tau, span_s) for c, tau in enumerate(taus_s, start=1)]
    return AirDay(
        plan=plan,
        span_s=span_s,
        header_pa=tuple(pressure for pressure, _ in headers),
        supply_pa=plan.supply_pa,
        plateau_pa=tuple(level for _, level in headers),
    )


def _header(
    plan: AirPlan, compartment: int, tau_s: float, span_s: tuple[float, float]
) -> tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]]:
    """Pressure and plateau. A leak lowers the level and quickens the approach to it alike."""
    planted = plan.planted
    pulses = plan.pulses.between(span_s[0] - LEAD_S, span_s[1])
    pulses = pulses.of(pulses.compartment == compartment)

    def level_pa(at_s: Floats) -> Floats:
        return plan.supply_pa(at_s) * (1.0 - planted.leak(compartment, at_s))

    left = 1.0 - planted.leak(compartment, pulses.at_s)
    calls = Calls(
        unix_s=pulses.at_s,
        drop_frac=pulses.drop_frac,
        late_s=pulses.late_s,
        late_flow_frac=np.full_like(pulses.at_s, LATE_FLOW),
        tau_s=tau_s / planted.feed(compartment, pulses.at_s) * left,
        supply_pa=level_pa(pulses.at_s),
    )
    first_s = span_s[0] - 2.0 * LEAD_S
    rest = at_rest(first_s, float(level_pa(np.array([first_s]))[0]), tau_s)
    blows = blow_down(calls, rest, OPENING_S)
    return lambda at_s: pressure_at(at_s, blows, level_pa(at_s), OPENING_S), level_pa
