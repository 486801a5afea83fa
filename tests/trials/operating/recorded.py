"""How a historian keeps a slow signal: at intervals, or thinned by dead-band or slope."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rowcall.condition.sampling import reach
from rowcall.model import Floats, Signal
from rowcall.site import Sample
from trials.keeping import dead_band, swinging_door


@dataclass(frozen=True, slots=True)
class Way:
    """One way of keeping; `noise` multiplies the transmitter's, `digits` is one of its own unit."""

    name: str
    step_s: int
    keep: Literal["at intervals", "dead-band", "swinging door"] = "at intervals"
    noise: float = 1.0
    is_coarse: bool = False


def kept(
    rng: np.random.Generator, way: Way, truth: Floats, *, noise: float, digit: float, band: float
) -> Signal:
    """Return what is kept of a day.

    Args:
        truth: each second, shape (n,).
        noise: standard deviation of a sample, white; `digit`: what it is rounded to.
        band: of the compression, if there is one.
    """
    at_s = np.arange(int(rng.integers(way.step_s)), truth.size, way.step_s)
    value = truth[at_s] + noise * way.noise * rng.standard_normal(at_s.size)
    value, time_s = np.round(value / digit) * digit, at_s.astype(np.float64)
    far = reach(Sample.AT_INTERVALS, float(way.step_s))
    if way.keep != "at intervals":
        compress = dead_band if way.keep == "dead-band" else swinging_door
        points = compress(time_s, value, band)
        time_s, value = time_s[points], value[points]
        far = reach(Sample.THINNED, float(np.median(np.diff(time_s))))
    return Signal(time_s, value, longest_hold_s=far.gap_s, bridge_s=far.bridge_s)
