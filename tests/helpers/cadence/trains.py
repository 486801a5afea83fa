"""Pulse trains of one header for the tests of the cadence: fires, pressure and samples.

Own few lines instead of the plant simulator, because here a controller may do what that plant
never does: start anew after a rest, drift, jump, or share its header with another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats, Signal

DAY_S = 86_400.0
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class Line:
    """One controller on a header and what its rows do; rows are counted in firing order.

    after_rest: "none" cleans without pause; "first" starts at place 1 after a rest; "next" goes
    on where it stopped; "any" starts anywhere.
    """

    n_rows: int = 12
    interval_s: float = 10.0
    silent: tuple[int, ...] = ()
    after_rest: str = "none"
    rest_s: tuple[float, float] = (400.0, 1500.0)
    passes: tuple[float, float] = (1.0, 2.5)  # length of a bout in passes
    jitter_s: float = 0.025
    drift_frac: float = 0.0  # interval swings by this share over the day
    jumps: int = 0  # instants at which the controller starts again at any place
    first_s: float = 3.0
    drop_frac: float = 0.22
    spread_frac: float = 0.03


@dataclass(frozen=True, kw_only=True)
class Sampling:
    """How the historian sees the header."""

    step_s: float = 1.0
    noise_frac: float = 0.002  # of the span
    wander_frac: float = 0.0
    bits: int = 12
    missing_frac: float = 0.0
    gaps: int = 0
    gap_s: float = 600.0
    tau_s: float = 2.2
    set_pa: float = 6.0e5
    span_pa: float = 1.0e6
    seconds: float = DAY_S


@dataclass(frozen=True, slots=True)
class Train:
    """The header as sampled and the truth: instants, places 1..N, whether the valve opened."""

    header: Signal
    fire_s: Floats
    place: Ints
    opened: Bools
    line: Ints  # which controller


def calls(line: Line, seconds: float, rng: np.random.Generator) -> tuple[Floats, Ints]:
    """Return the instants and places of one controller's calls."""
    jumps = np.sort(rng.uniform(0, seconds, line.jumps)).tolist()
    at = line.first_s + rng.uniform(0, line.interval_s)
    place, left = int(rng.integers(line.n_rows)), 0
    if line.after_rest in ("first", "next"):
        left = int(rng.integers(1, 2 * line.n_rows))
    times, places = [], []
    while at < seconds:
        times.append(at)
        places.append(place + 1)
        place = (place + 1) % line.n_rows
        swing = 1 + line.drift_frac * np.sin(2 * np.pi * at / DAY_S)
        at += line.interval_s * swing + rng.uniform(0, line.jitter_s)
        if jumps and at > jumps[0]:
            jumps.pop(0)
            at, place = at + rng.uniform(0, 2 * line.interval_s), int(rng.integers(line.n_rows))
        left -= 1
        if line.after_rest != "none" and left <= 0:
            at += rng.uniform(*line.rest_s)
            left = round(rng.uniform(*line.passes) * line.n_rows)
            if line.after_rest == "first":
                place = 0
            elif line.after_rest == "any":
                place = int(rng.integers(line.n_rows))
    return np.array(times), np.array(places, np.int64)


def train(lines: Line | Sequence[Line], how: Sampling, seed: int) -> Train:
    """Return one day of a header that one or more controllers draw on."""
    rng = np.random.default_rng(seed)
    lines = [lines] if isinstance(lines, Line) else list(lines)
    parts = [calls(line, how.seconds, rng) for line in lines]
    opened, drop = [], []
    for line, (_, place) in zip(lines, parts, strict=True):
        row = 1 + line.spread_frac * rng.standard_normal(line.n_rows + 1)
        drop.append(line.drop_frac * row[place] * (1 + 0.02 * rng.standard_normal(place.size)))
        opened.append(~np.isin(place, line.silent))
    time = np.concatenate([times for times, _ in parts])
    order = np.argsort(time)
    made = Train(
        header=Signal(np.empty(0), np.empty(0)),
        fire_s=time[order],
        place=np.concatenate([place for _, place in parts])[order],
        opened=np.concatenate(opened)[order],
        line=np.concatenate([np.full(p.size, i) for i, (_, p) in enumerate(parts)])[order],
    )
    return replace(made, header=_sampled(made, np.concatenate(drop)[order], how, rng))


def _sampled(made: Train, drop: Floats, how: Sampling, rng: np.random.Generator) -> Signal:
    time_s = np.arange(0.0, how.seconds, how.step_s)
    supply = how.set_pa * (1 + how.wander_frac * np.sin(2 * np.pi * time_s / 7200 + 1.0))
    value = supply - _deficit(made, drop, how, time_s)
    value = value + how.noise_frac * how.span_pa * rng.standard_normal(time_s.size)
    step = how.span_pa / 2**how.bits
    value = np.clip(np.round(value / step) * step, 0, how.span_pa)
    keep = rng.random(time_s.size) >= how.missing_frac
    for start in rng.uniform(0, how.seconds, how.gaps):
        keep &= (time_s < start) | (time_s > start + how.gap_s)
    return Signal(time_s[keep], value[keep])


def _deficit(made: Train, drop: Floats, how: Sampling, time_s: Floats) -> Floats:
    """What is still to be recovered at each instant, first-order refill, 0.15 s to open [Pa]."""
    fire, depth = made.fire_s[made.opened], drop[made.opened]
    before, after = np.zeros(fire.size), np.zeros(fire.size)
    last, at = 0.0, -1e9
    for n, (t, share) in enumerate(zip(fire.tolist(), depth.tolist(), strict=True)):
        before[n] = last * np.exp(-(t - at) / how.tau_s)
        last = before[n] + share * (how.set_pa - before[n])
        after[n], at = last, t
    k = np.searchsorted(fire, time_s, side="right") - 1
    since = time_s - fire[np.maximum(k, 0)]
    opening = before[k] + (after[k] - before[k]) * np.minimum(since / 0.15, 1.0)
    left = opening * np.exp(-np.maximum(since - 0.15, 0.0) / how.tau_s)
    return np.where(k >= 0, left, 0.0)


def nearest(rising_s: Floats, at_s: Floats) -> Ints:
    """Return for each instant the index of the nearest of others that rise."""
    k = np.clip(np.searchsorted(rising_s, at_s), 1, rising_s.size - 1)
    earlier = at_s - rising_s[k - 1] <= rising_s[k] - at_s
    return np.where(earlier, k - 1, k)
