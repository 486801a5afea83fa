"""Changes of DP that are not dust: where its level changed within a day, and its fall at a pulse.

A row's pulse takes a share of that row's cake, so DP falls by a few pascals. New dust in the fabric
raises DP and leaves that fall as it is; another range or scaling of the transmitter multiplies
both. No dust raises DP within seconds either, while a set point of the controller moves peak and
residual of its cycles and leaves DP without a jump.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import polars as pl

from rowcall.events.noise import TO_DEVIATION
from rowcall.model import Floats, Signal

_MIN_CYCLES = 3  # chosen: on each side of a change
_MIN_CHANGE = 0.04  # [-] chosen: several times what a cycle's level scatters by
_MIN_SNR = 6.0  # chosen: standard deviations of the cycles' scatter; of hundreds of splits none
_SHARP = 0.7  # chosen: share of a change that three cycles on each side show
_JUMP_S = 30.0  # chosen: medians of so long before and after show a jump; cleaning takes minutes
_BESIDE_S = 4.0  # chosen: before a pulse, and as long after it once its own kick has died out
_KICK_S = 1.0  # chosen: that kick


@dataclass(frozen=True, slots=True)
class LevelChange:
    """When the level of DP changed for the rest of the day, and by what ratio it jumped, or nan."""

    at_s: float
    jump: float


def level_change(cycles: pl.DataFrame, dp: Signal, on_demand: bool) -> LevelChange | None:
    """Return the change within a day, by cycles while running, None without one.

    On demand, set points hold the peak, so that shows the change. By the clock DP follows the flow:
    there only a jump counts.
    """
    name = "peak_dp_pa" if on_demand else "residual_dp_pa"
    known = cycles.filter(pl.col(name) > 0)
    level = np.log(known[name].to_numpy())
    split = _split(level)
    if split is None:
        return None
    change = float(np.median(level[split:]) - np.median(level[:split]))
    first_s, last_s = float(known["start_s"][split - 1]), float(known["end_s"][split])
    at_s, jump = _jump(dp, first_s, last_s)
    is_jump = math.copysign(1, jump) == math.copysign(1, change) and abs(jump) > abs(change) / 2
    if is_jump:
        return LevelChange(at_s, math.exp(jump))
    return LevelChange(float(known["start_s"][split]), math.nan) if on_demand else None


def _split(level: Floats) -> int | None:
    """Return the index at which a sharp, lasting change begins; level has shape (n,)."""
    n = level.size
    if n < 2 * _MIN_CYCLES:
        return None
    left = np.arange(_MIN_CYCLES, n - _MIN_CYCLES + 1)
    total = np.concatenate(([0.0], np.cumsum(level)))
    means = total[left] / left, (total[-1] - total[left]) / (n - left)
    split = int(left[np.argmax(left * (n - left) * (means[1] - means[0]) ** 2)])
    change = float(np.median(level[split:]) - np.median(level[:split]))
    scatter = TO_DEVIATION * float(np.median(np.abs(np.diff(level)))) / math.sqrt(2)
    beside = np.median(level[split : split + 3]) - np.median(level[split - 3 : split])
    is_sharp = beside / change > _SHARP if change else False
    return split if is_sharp and abs(change) > max(_MIN_CHANGE, _MIN_SNR * scatter) else None


def _jump(dp: Signal, first_s: float, last_s: float) -> tuple[float, float]:
    """Return when DP jumped most between two instants, and the logarithm of the ratio."""
    first, last = np.searchsorted(dp.time_s, (first_s, last_s))
    best = (first_s, 0.0)
    for at in range(max(int(first), 3), min(int(last) + 1, dp.time_s.size - 2)):
        t = dp.time_s[at]
        low, high = np.searchsorted(dp.time_s, (t - _JUMP_S, t + _JUMP_S))
        before = float(np.median(dp.value[min(int(low), at - 3) : at]))
        after = float(np.median(dp.value[at : max(int(high), at + 3)]))
        if before > 0 and after > 0 and abs(math.log(after / before)) > abs(best[1]):
            best = (float(t), math.log(after / before))
    return best


def fall_at_pulses(dp: Signal, fired_s: Floats) -> tuple[float, float]:
    """Return the mean fall of DP at a pulse and its standard error [Pa], nan without points."""
    edges = [fired_s - _BESIDE_S, fired_s, fired_s + _KICK_S, fired_s + _KICK_S + _BESIDE_S]
    total = np.concatenate(([0.0], np.cumsum(dp.value)))
    a, b, c, d = (np.searchsorted(dp.time_s, edge) for edge in edges)
    both = (b > a) & (d > c)
    a, b, c, d = a[both], b[both], c[both], d[both]
    if a.size < 2:
        return math.nan, math.nan
    fall = (total[b] - total[a]) / (b - a) - (total[d] - total[c]) / (d - c)
    return float(fall.mean()), float(fall.std(ddof=1)) / math.sqrt(a.size)
