"""What every physics returns for a span: noise-free pressures, and the truth read off them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from trials.air.air_plan import AirPlan, Pulses
from trials.schedule import Floats, Ints

_FINE_S = 2.0  # after a pulse
_FINE_STEP_S = 0.01
_EVERY = (4, 5)  # pulse of a header is its own course; chosen: even slow ones have recovered 99.8 %
_ALONE = {"t63_s": "alone63_s", "t95_s": "alone95_s"}
_ALONE_S = 4.0 * 3600.0  # looked at; chosen: a dozen pulses of each row and more
_MAX_PULSES = 300  # of a header that medians are made of; chosen: they scatter by 0.2 %


Place = tuple[int, int, str]


@dataclass(frozen=True, slots=True)
class AirDay:
    """Pressures of a span, gauge [Pa], at instants [s from the first day] in rising order.

    Attributes:
        header_pa: of compartment 1, 2, ...
        supply_pa: as a transmitter ahead of the headers reads it.
        plateau_pa: what each header would stand at without pulses.
    """

    plan: AirPlan
    span_s: tuple[float, float]
    header_pa: tuple[Callable[[Floats], Floats], ...]
    supply_pa: Callable[[Floats], Floats]
    plateau_pa: tuple[Callable[[Floats], Floats], ...]


Physics = Callable[[AirPlan, tuple[float, float]], AirDay]


def truth_of(day: AirDay) -> Mapping[Place, float]:
    """Return medians over the span's pulses by (compartment, row, name), row 0 for all rows.

    before_pa, drop_pa, plateau_pa, shortfall_pa (at the next pulse of the header); t63_s, t95_s:
    from the minimum until that share of the drop is recovered, nan where the next pulse mostly
    comes first.
    """
    return {
        (compartment, row, name): value
        for compartment in range(1, day.plan.compartments + 1)
        for (row, name), value in _medians(day, compartment).items()
    }


def recoveries_of(simulate: Physics, plan: AirPlan, begin_s: float) -> Mapping[Place, float]:
    """Return alone63_s and alone95_s by (compartment, row, name), row 0 for all rows.

    Time from the minimum until that share of a usual drop from the plateau is recovered: most of
    the header's own pulses are left out, so that nothing of earlier ones is left, and those of the
    others go on.

    Args:
        begin_s: of the hours that are looked at.
    """
    out, span_s = {}, (begin_s, begin_s + _ALONE_S)
    for compartment in range(1, plan.compartments + 1):
        sparse = replace(plan, pulses=_sparse(plan, compartment))
        for (row, name), value in _medians(simulate(sparse, span_s), compartment).items():
            if name in _ALONE:
                out[compartment, row, _ALONE[name]] = value
    return out


def _sparse(plan: AirPlan, compartment: int) -> Pulses:
    """Pulses less most of those of one header; all its rows have some."""
    own = plan.pulses.compartment == compartment
    every = next(n for n in _EVERY if math.gcd(n, plan.rows) == 1)
    return plan.pulses.of(~own | (np.cumsum(own) % every == 0))


def _medians(day: AirDay, compartment: int) -> Mapping[tuple[int, str], float]:
    row, columns = _of_pulses(day, compartment)
    return {
        (number, name): _median(values[(row == number) | (number == 0)])
        for number in range(day.plan.rows + 1)
        for name, values in columns.items()
    }


def _of_pulses(day: AirDay, compartment: int) -> tuple[Ints, Mapping[str, Floats]]:
    """Rows and numbers of some pulses of a header; inf where a level is not reached."""
    pulses = day.plan.pulses.between(*day.span_s)
    pulses = pulses.of(pulses.compartment == compartment)
    gap_s = np.diff(pulses.at_s)
    some = np.flatnonzero(gap_s < 3.0 * np.median(gap_s))
    some = some[:: 1 + some.size // _MAX_PULSES]
    fire_s, gap_s = pulses.at_s[some], gap_s[some]
    fine_s = np.arange(0.0, _FINE_S, _FINE_STEP_S)
    rest_s = _FINE_S + (gap_s[:, None] - _FINE_S) * np.linspace(0.0, 1.0, 400, endpoint=False)
    since_s = np.hstack((np.broadcast_to(fine_s, (fire_s.size, fine_s.size)), rest_s))
    at_s = fire_s[:, None] + since_s
    pressure = day.header_pa[compartment - 1](at_s.ravel()).reshape(at_s.shape)
    plateau = day.plateau_pa[compartment - 1](fire_s)
    before, lowest = pressure[:, 0], pressure.argmin(axis=1)
    minimum = pressure[np.arange(fire_s.size), lowest]
    columns = {
        "before_pa": before,
        "drop_pa": before - minimum,
        "plateau_pa": plateau,
        "shortfall_pa": plateau - before,
    }
    for name, frac in (("63", 1.0 - np.exp(-1.0)), ("95", 0.95)):
        level = minimum + frac * (before - minimum)
        columns[f"t{name}_s"] = _time_to(pressure, since_s, lowest, level)
    return pulses.row[some], columns


def _median(values: Floats) -> float:
    middle = float(np.median(values)) if values.size else np.nan
    return middle if np.isfinite(middle) else float("nan")


def _time_to(pressure: Floats, since_s: Floats, lowest: Ints, level: Floats) -> Floats:
    """Time from the minimum to a level; inf where it is not reached."""
    later = np.arange(pressure.shape[1]) > lowest[:, None]
    back = later & (pressure >= level[:, None])
    line, first = np.arange(level.size), np.maximum(back.argmax(axis=1), 1)
    low, high = pressure[line, first - 1], pressure[line, first]
    share = np.clip((level - low) / np.where(high > low, high - low, np.inf), 0.0, 1.0)
    at_s = since_s[line, first - 1] + share * (since_s[line, first] - since_s[line, first - 1])
    return np.where(back.any(axis=1), at_s - since_s[line, lowest], np.inf)
