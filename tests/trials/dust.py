"""Dust signals of a second physics for trials: pulses, gas through a duct, a monitor at its end.

The duct delays what a pulse lets through and mixes it: not at all (a plug), in one stirred volume
or in two. The monitor adds noise, some of it lasting, and is checked once a day; load swings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
FINE_S = 0.5  # grid of the duct


@dataclass(frozen=True, kw_only=True)
class DustScene:
    """What a trial is of; puffs in standard deviations of the noise of one sample.

    rest_every: pulses between rests (on demand); 0: by the clock without one.
    """

    n_rows: int = 12
    interval_s: float = 10.0
    n_rounds: int = 100
    step_s: float = 1.0
    delay_s: float = 12.0
    mixing_s: tuple[float, ...] = (4.0,)
    rest_every: int = 30
    rest_s: float = 400.0
    usual_puff: float = 0.5
    leaks: tuple[int, ...] = ()
    leak_puff: float = 3.0
    swing: float = 2.0
    lasting: float = 0.3
    spikes: bool = True


@dataclass(frozen=True)
class DustTrial:
    """A signal and the pulses behind it."""

    time_s: Floats
    value: Floats
    fired_s: Floats
    row: Ints
    seconds: float


def simulate(scene: DustScene, rng: np.random.Generator) -> DustTrial:
    """Return one stretch of time."""
    n = scene.n_rows * scene.n_rounds
    gaps = scene.interval_s + 0.05 * rng.random(n)
    if scene.rest_every:
        burst = scene.rest_every + rng.integers(-5, 6, n).cumsum() % 11
        begins = np.cumsum(burst)
        begins = begins[begins < n]
        gaps[begins] += scene.rest_s * rng.uniform(0.5, 1.5, begins.size)
    fired_s = 60.0 + np.cumsum(gaps)
    row = np.arange(n) % scene.n_rows
    seconds = float(fired_s[-1]) + 120.0
    heights = scene.usual_puff * rng.uniform(0.7, 1.3, scene.n_rows)
    heights[list(scene.leaks)] = scene.leak_puff
    fine = _duct(scene, fired_s, heights[row] * rng.uniform(0.7, 1.3, n), seconds)
    at = np.arange(rng.uniform(0, scene.step_s), seconds - 1, scene.step_s)
    value = np.interp(at, FINE_S * np.arange(fine.size), fine)
    value += 20.0 + scene.swing * np.sin(2 * np.pi * at / 7200.0 + rng.uniform(0, 6))
    value += np.sqrt(1 - scene.lasting) * rng.standard_normal(at.size)
    keep = np.exp(-scene.step_s / 20.0)
    slow = lfilter([np.sqrt(1 - keep**2)], [1, -keep], rng.standard_normal(at.size))
    value += np.sqrt(scene.lasting) * slow
    if scene.spikes:
        begin = rng.uniform(0, seconds - 300)
        value[(at >= begin) & (at < begin + 90)] = 0.0
        value[(at >= begin + 90) & (at < begin + 180)] = 100.0
    return DustTrial(at, value, fired_s, row, seconds)


def _duct(scene: DustScene, fired_s: Floats, height: Floats, seconds: float) -> Floats:
    """Return dust at the end of the duct; a lone pulse of height 1 peaks at 1."""
    n = int(seconds / FINE_S) + 200
    entering = np.zeros(n)
    cells = ((fired_s + scene.delay_s) / FINE_S).astype(np.intp)
    for k in range(int(3.0 / FINE_S)):  # a pulse lets dust through for 3 s
        np.add.at(entering, cells + k, height)
    lone = np.zeros(400)
    lone[: int(3.0 / FINE_S)] = 1.0
    for tau_s in scene.mixing_s:
        keep = np.exp(-FINE_S / tau_s)
        entering = lfilter([1 - keep], [1, -keep], entering)
        lone = lfilter([1 - keep], [1, -keep], lone)
    whole: Floats = entering / lone.max()
    return whole
