"""Six-minute averages of opacity, by the clock, in the sense of 40 CFR 60.13(h) and 60.2.

A six-minute period is one of the ten equal parts of an hour (60.2), not a rolling one; its average
takes 36 or more evenly spaced points (60.13(h)), without those of zero and span checks. Gas must
flow. What rowcall makes of it is no compliance record.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rowcall.events.dust.checks import Check, outside
from rowcall.events.dust.puff_model import Mask
from rowcall.events.operation.gas_seconds import GasSeconds
from rowcall.model import Floats, Signal

BLOCK_S = 360.0  # 40 CFR 60.2: one of the 10 equal parts of an hour
MIN_POINTS = 36  # 40 CFR 60.13(h)
_MAX_UNEVEN = 2.0  # chosen: evenly spaced are points of which no gap is twice a 36th of the time


@dataclass(frozen=True, slots=True)
class Averages:
    """Periods of a day in which gas flowed, shape (k,): begin, mean, and whether it is valid."""

    begin_s: Floats
    mean: Floats
    is_valid: Mask

    def above(self, limit: float) -> list[tuple[float, float, float]]:
        """Return begin, end [s] and highest mean of each run of valid periods above a limit."""
        runs: list[tuple[float, float, float]] = []
        for begin, mean in zip(self.begin_s, self.mean, strict=True):
            if not mean > limit:
                continue
            if runs and begin == runs[-1][1]:
                runs[-1] = runs[-1][0], begin + BLOCK_S, max(runs[-1][2], float(mean))
            else:
                runs.append((float(begin), float(begin) + BLOCK_S, float(mean)))
        return runs


def six_minute_averages(signal: Signal, gas: GasSeconds, checks: list[Check]) -> Averages:
    """Return the averages of opacity by the clock; nan and not valid with too few points."""
    n = gas.is_moving.size
    at = signal.time_s
    inside = (at >= 0) & (at < n) & outside(checks, at)
    inside[inside] = gas.is_moving[at[inside].astype(np.intp)]
    at, value = at[inside], signal.value[inside]
    number = (at / BLOCK_S).astype(np.intp)
    flowing = np.flatnonzero(gas.is_moving)
    blocks = np.unique((flowing / BLOCK_S).astype(np.intp))
    edges = np.searchsorted(number, [blocks, blocks + 1])
    mean, is_valid = np.full(blocks.size, np.nan), np.zeros(blocks.size, np.bool_)
    for k, (block, first, end) in enumerate(zip(blocks.tolist(), *edges.tolist(), strict=True)):
        spaced = np.diff(at[first:end], prepend=block * BLOCK_S, append=(block + 1) * BLOCK_S)
        is_even = end > first and spaced.max() <= _MAX_UNEVEN * BLOCK_S / MIN_POINTS
        if end - first >= MIN_POINTS and is_even:
            mean[k], is_valid[k] = value[first:end].mean(), True
    return Averages(blocks * BLOCK_S, mean, is_valid)
