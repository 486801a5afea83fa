"""What a historian keeps of a pressure: noisy points at intervals with holes, or thinned ones."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from trials.conditions import BAND_BAR, LEVELS, SPAN_BAR, Condition
from trials.schedule import Floats, Ints

GAP_S = (60.0, 600.0)  # chosen
FORCED_S = 600.0  # a point is kept at least this often; chosen
MOST_PPM = 100.0


def keep_pressure(
    rng: np.random.Generator,
    condition: Condition,
    pressure_pa: Callable[[Floats], Floats],
    seconds: float,
) -> tuple[Floats, Floats]:
    """Return times [s since the start] and values [bar] as kept."""
    at_s = sample_times(rng, condition, seconds)
    bar = pressure_pa(at_s) / 1e5 + condition.noise * SPAN_BAR * rng.standard_normal(at_s.size)
    bar = quantised(bar)
    kept = ~lost(rng, at_s, condition.missing)
    at_s, bar = at_s[kept], bar[kept]
    if condition.keep == "at intervals":
        return at_s, bar
    compress = dead_band if condition.keep == "dead-band" else swinging_door
    points = compress(at_s, bar, BAND_BAR)
    return at_s[points], bar[points]


def sample_times(rng: np.random.Generator, condition: Condition, seconds: float) -> Floats:
    """Sampling instants: a phase drawn once, and a clock that is off unless locked."""
    ppm = 0.0 if condition.phase == "locked" else float(rng.uniform(-MOST_PPM, MOST_PPM))
    step_s = condition.step_s * (1.0 + 1e-6 * ppm)
    first_s = float(rng.random()) * condition.step_s
    at_s: Floats = first_s + step_s * np.arange(int((seconds - first_s) / step_s), dtype=np.float64)
    return at_s


def quantised(bar: Floats) -> Floats:
    """Values of a 12-bit transmitter over its span."""
    step = SPAN_BAR / LEVELS
    shown: Floats = np.clip(np.round(bar / step), 0.0, LEVELS - 1.0) * step
    return shown


def lost(rng: np.random.Generator, at_s: Floats, share: float) -> npt.NDArray[np.bool_]:
    """Mark the samples that are missing: half of the share singly, half in gaps."""
    gone = rng.random(at_s.size) < share / 2.0
    if share > 0.0:
        seconds = float(at_s[-1])
        n_gaps = round(share / 2.0 * seconds / (sum(GAP_S) / 2.0))
        for start_s in rng.uniform(0.0, seconds, n_gaps):
            gone |= (at_s >= start_s) & (at_s < start_s + rng.uniform(*GAP_S))
    return gone


def dead_band(at_s: Floats, value: Floats, band: float) -> Ints:
    """Indices kept by exception: those further than `band` from the last one kept."""
    kept = [0]
    last, last_s = float(value[0]), float(at_s[0])
    for k, (now_s, now) in enumerate(zip(at_s.tolist(), value.tolist(), strict=True)):
        if abs(now - last) > band or now_s - last_s >= FORCED_S:
            kept.append(k)
            last, last_s = now, now_s
    return np.array(kept, np.int64)


def swinging_door(at_s: Floats, value: Floats, band: float) -> Ints:
    """Indices kept by slope: straight lines between them miss no point by more than `band`.

    Two doors hinge `band` above and below the last point kept; when they no longer open a common
    corridor, the point before is kept and becomes the next hinge.
    """
    kept, k = [0], 1
    steepest, flattest = -np.inf, np.inf
    times, values = at_s.tolist(), value.tolist()
    while k < len(times):
        hinge = kept[-1]
        ahead = times[k] - times[hinge]
        low = (values[k] - values[hinge] - band) / ahead
        high = (values[k] - values[hinge] + band) / ahead
        slope = (values[k] - values[hinge]) / ahead
        # The line to this point must pass within the band of every point since the hinge.
        fits = steepest <= slope <= flattest and ahead < FORCED_S
        if fits or k == hinge + 1:
            steepest, flattest = max(steepest, low), min(flattest, high)
            k += 1
            continue
        kept.append(k - 1)
        steepest, flattest = -np.inf, np.inf
    if kept[-1] != len(times) - 1:
        kept.append(len(times) - 1)
    return np.array(kept, np.int64)
