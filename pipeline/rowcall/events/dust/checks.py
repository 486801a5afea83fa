"""Zero and span checks of a dust monitor, by their shape: flat stretches with sharp edges.

Dust comes and goes over seconds to minutes and scatters; a monitor that looks at its zero or its
span filter shows one level to within its own noise, and jumps there and back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

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
    usual = float(np.median(y))
    edges = np.flatnonzero(np.abs(np.diff(y)) > _EDGE * noise) + 1
    first, end = edges[:-1], edges[1:]
    lasts_s = t[end - 1] - t[first]
    is_long = (end - first >= _MIN_POINTS) & (lasts_s >= _SHORTEST_S) & (lasts_s <= _LONGEST_S)
    flat = [
        (a, b, float(np.median(y[a:b])))
        for a, b in zip(first[is_long].tolist(), end[is_long].tolist(), strict=True)
        if abs(np.median(y[a:b]) - usual) > _EDGE * noise and y[a:b].std() <= _FLAT * noise
    ]
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
