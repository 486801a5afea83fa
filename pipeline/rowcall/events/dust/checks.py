"""Zero and span checks of a dust monitor, by their shape: flat stretches with sharp edges.

Dust comes and goes over seconds to minutes and scatters; a monitor that looks at its zero or its
span filter shows one level to within its own noise, and jumps there and back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.condition.quantiles import group_medians, median
from rowcall.events.noise import noise_of
from rowcall.model import Floats, Signal

_EDGE = 6.0  # [standard deviations of noise] chosen: no pair of neighbours differs so by chance
_FLAT = 2.5  # chosen: scatter of a flat stretch over the noise, at most
_MIN_POINTS = 4  # chosen: fewer show no shape
_SHORTEST_S, _LONGEST_S = 20.0, 1200.0  # chosen: checks take half a minute to some minutes
_TOGETHER_S = 120.0  # chosen: zero and span follow each other within two minutes
_MIN_LEVEL = 1e-9  # keeps a monitor that stands still from having edges


@dataclass(frozen=True, slots=True)
class Check:
    """One check, in seconds of the day; `is_sure`: a zero and a span in one."""

    begin_s: float
    end_s: float
    is_sure: bool


def find_checks(signal: Signal) -> list[Check]:
    """Return the checks of a day; what only looks like one (a single flat level) is not sure."""
    t, y = signal.time_s, signal.value
    if t.size < 2 * _MIN_POINTS:
        return []
    noise = max(noise_of(signal), _MIN_LEVEL)
    usual = median(y)
    edges = np.flatnonzero(np.abs(np.diff(y)) > _EDGE * noise) + 1
    if edges.size < 2:
        return []
    first, end = edges[:-1], edges[1:]
    size, lasts_s = end - first, t[end - 1] - t[first]
    between = y[edges[0] : edges[-1]]
    off = between - np.repeat(np.add.reduceat(between, first - first[0]) / size, size)
    scatter = np.sqrt(np.add.reduceat(off**2, first - first[0]) / size)
    is_flat = (size >= _MIN_POINTS) & (lasts_s >= _SHORTEST_S) & (lasts_s <= _LONGEST_S)
    is_flat &= scatter <= _FLAT * noise
    begins = np.cumsum(size[is_flat]) - size[is_flat]
    levels = group_medians(between[np.repeat(is_flat, size)], begins)
    spans = zip(first[is_flat].tolist(), end[is_flat].tolist(), levels.tolist(), strict=True)
    flat = [one for one in spans if abs(one[2] - usual) > _EDGE * noise]
    return [_check(t, group, usual) for group in _grouped(t, flat)]


def _grouped(t: Floats, flat: list[tuple[int, int, float]]) -> list[list[tuple[int, int, float]]]:
    groups: list[list[tuple[int, int, float]]] = []
    for one in flat:
        if groups and t[one[0]] - t[groups[-1][-1][1] - 1] <= _TOGETHER_S:
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups


def _check(t: Floats, group: list[tuple[int, int, float]], usual: float) -> Check:
    levels = [level for _, _, level in group]
    end = min(group[-1][1], t.size - 1)
    return Check(float(t[group[0][0]]), float(t[end]), min(levels) < usual < max(levels))


def outside(checks: list[Check], at_s: Floats) -> npt.NDArray[np.bool_]:
    """Return which instants, shape (n,), lie in no check."""
    free = np.ones(at_s.size, np.bool_)
    for check in checks:
        free &= (at_s < check.begin_s) | (at_s >= check.end_s)
    return free
