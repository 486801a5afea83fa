"""Months of many plants at once, step by step in arrays, down to the facts of DP by day.

Two physics with the controller of `rowcall_plant`: `laminar` (its form: rows in parallel, drag of
cloth plus cake in proportion) and `casing` (that of `trials.casing`: inertial cloth, cake that is
compressed, pulses that throw off more of a thick cake, part of which lands again). Facts are what
rowcall finds in a cycle, of readings with noise: no samples, no conditioning.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from rowcall.gas.viscosity import viscosity_ratio
from rowcall.model import Fact, Floats

Physics = Literal["laminar", "casing"]
Facts = dict[Fact, float]
STEP_S, DAY_S, ROWS, AREA_M2 = 15.0, 86_400.0, 12, 600.0
N_STEPS = int(DAY_S / STEP_S)
ON_TIME_STEPS = 4  # a row a minute
NOISE_PA = 8.0
SETTLED = 2  # steps after a bout whose mean is its residual DP


@dataclass(frozen=True, slots=True)
class Plants:
    """Plants side by side, shape (n,) each; every second one cleans on demand.

    growth: of the cloth's drag a day from `onset` on [-]; products: dust times e^-x to e^x.
    """

    physics: Physics
    seed: int
    n: int
    growth: float = 0.0
    onset: int = 10
    products: float = 0.4
    swing: float = 0.3
    season_k: float = 25.0

    @property
    def on_demand(self) -> npt.NDArray[np.bool_]:
        """Which of them clean on demand."""
        return np.asarray(np.arange(self.n) % 2 == 0)


@dataclass(slots=True)
class _Build:
    """What sets plants apart: drag of cloth and cake, share taken off, set points, phases."""

    cloth: Floats
    cake: Floats
    taken: Floats
    start_pa: Floats
    stop_pa: Floats
    dust: Floats
    phase: Floats


def months(plants: Plants, n_days: int) -> Iterator[list[Facts]]:
    """Yield the facts of each plant, day by day."""
    rng = np.random.default_rng([plants.seed, 17])
    build, run = _built(plants, rng), _Run(plants)
    for day in range(n_days):
        flow, inlet = _flow(plants, build, rng, day), _inlet(plants, build, rng, day)
        if day % 3 == 0:
            product = np.exp(plants.products * rng.uniform(-1, 1, plants.n))
        cloth = (1 + plants.growth) ** max(day - plants.onset, 0)
        yield run.day(build, flow, inlet, build.dust * product, cloth, rng)


def _built(plants: Plants, rng: np.random.Generator) -> _Build:
    def about(middle: float, share: float) -> Floats:
        return middle * (1 + share * rng.uniform(-1, 1, plants.n))

    is_laminar = plants.physics == "laminar"
    start = about(1300.0, 0.1)
    return _Build(
        cloth=about(3.2e4 if is_laminar else 2.5e4, 0.2),
        cake=about(1.2e5 if is_laminar else 9e4, 0.3),
        taken=about(0.67, 0.15) if is_laminar else about(0.12, 0.2),
        start_pa=start,
        stop_pa=start * about(0.77, 0.04),
        dust=about(0.012, 0.3),
        phase=rng.uniform(0, 2 * np.pi, plants.n),
    )


def _flow(plants: Plants, build: _Build, rng: np.random.Generator, day: int) -> Floats:
    """Flow [m3/s] at each step: shifts, weekends, a wander by the hour; (n, N_STEPS)."""
    at = np.arange(N_STEPS) * STEP_S
    hours = np.arange(0.0, DAY_S + 3600, 3600)
    wander = np.stack([np.interp(at, hours, w) for w in rng.normal(0, 0.3, (plants.n, hours.size))])
    shift = np.sin(2 * np.pi * at / DAY_S + build.phase[:, None])
    share = 1 + plants.swing * (0.4 * shift - 0.4 * (day % 7 >= 5) + wander)
    return np.asarray(11.0 * np.clip(share, 0.5, 1.5))


def _inlet(plants: Plants, build: _Build, rng: np.random.Generator, day: int) -> Floats:
    """Inlet temperature [degC] at each step: season, day, a level of its own each day."""
    season = plants.season_k * np.sin(2 * np.pi * day / 365 + build.phase)
    own = season + rng.normal(0, 3, plants.n)
    hour = 5 * np.sin(2 * np.pi * np.arange(N_STEPS) / N_STEPS + 1.0)
    return np.asarray(160.0 + own[:, None] + hour)


class _Run:
    """What goes on from step to step and from day to day, of all plants."""

    def __init__(self, plants: Plants) -> None:
        n = plants.n
        self.plants, self.each = plants, np.arange(n)
        self.load = np.full((n, ROWS), 0.05)  # [kg/m2]
        self.row = np.zeros(n, int)
        self.dp, self.gas = np.full(n, 1000.0), np.zeros(n)
        self.cleaning, self.n_bout = np.zeros(n, bool), np.zeros(n, int)
        self.cycle = {name: np.full(n, np.nan) for name in ("start", "end", "peak", "residual")}
        self.cycle |= {name: np.zeros(n) for name in ("flow", "n", "x", "y", "xx", "xy", "g0")}

    def day(
        self,
        build: _Build,
        flow: Floats,
        inlet: Floats,
        dust: Floats,
        cloth: float,
        rng: np.random.Generator,
    ) -> list[Facts]:
        """Run a day and return its facts."""
        n, on_demand = self.plants.n, self.plants.on_demand
        viscosity, ratio = ((inlet + 273.15) / 438.15) ** 0.7, viscosity_ratio(inlet)
        noise = rng.normal(0, NOISE_PA, (N_STEPS, n))
        seen_dp, per_flow = np.empty((N_STEPS, n)), np.empty((N_STEPS, n))
        cycles: list[Floats] = []
        falls: list[tuple[Floats, Floats]] = []
        for k in range(N_STEPS):
            mean = flow[:, k] / AREA_M2
            velocity = self._drop(build, viscosity[:, k], mean, cloth)
            self.load += (dust[:, None] * STEP_S) * velocity
            self.gas += flow[:, k] * STEP_S
            seen_dp[k] = self.dp + noise[k]
            per_flow[k] = seen_dp[k] / (flow[:, k] * ratio[:, k])
            if (ended := self._cycle_step(build, k, seen_dp, per_flow[k], flow[:, k])) is not None:
                cycles.append(ended)
            pulsed = self.cleaning | (~on_demand & (k % ON_TIME_STEPS == 0))
            if pulsed.any():
                before = self.dp.copy()
                self._pulse(build, np.flatnonzero(pulsed), rng)
                self._drop(build, viscosity[:, k], mean, cloth)
                falls.append((pulsed.astype(float), before - self.dp))
        timed = _timed_facts(seen_dp, per_flow, flow)
        table = np.concatenate(cycles) if cycles else np.empty((0, 9))
        fall = _falls(falls)
        return [
            {**(_demand_facts(table[table[:, 0] == p]) if on_demand[p] else timed(p)), **fall[p]}
            for p in range(n)
        ]

    def _drop(self, build: _Build, viscosity: Floats, mean: Floats, cloth: float) -> Floats:
        """Solve for the common drop; return each row's velocity [m/s]."""
        own, cake = (build.cloth * cloth)[:, None], build.cake[:, None]
        if self.plants.physics == "laminar":
            drag = viscosity[:, None] * (own + cake * self.load)
            self.dp = mean / (1 / drag).mean(axis=1)
            return np.asarray(self.dp[:, None] / drag)
        laminar = viscosity[:, None] * (own + cake * self.load * (1 + 0.8 * self.load))
        inertial = 4e5 * cloth
        for _ in range(3):  # Newton from the step before
            root = np.sqrt(laminar**2 + 4 * inertial * self.dp[:, None])
            velocity = (root - laminar) / (2 * inertial)
            miss = velocity.mean(axis=1) - mean
            self.dp = np.maximum(self.dp - miss / (1 / root).mean(axis=1), 1.0)
        return np.asarray(velocity)

    def _pulse(self, build: _Build, who: npt.NDArray[np.intp], rng: np.random.Generator) -> None:
        row, spread = self.row[who], rng.uniform(0.9, 1.1, who.size)
        load = self.load[who, row]
        if self.plants.physics == "laminar":
            gone = load * np.minimum(0.95, build.taken[who] * spread)
        else:
            gone = load * np.minimum(0.95, (1 - np.exp(-load / build.taken[who])) * spread)
            self.load[who] += (0.15 * gone / (ROWS - 1))[:, None]
        self.load[who, row] = load - gone
        self.row[who] = (row + 1) % ROWS
        self.n_bout[who] += 1

    def _cycle_step(
        self, build: _Build, k: int, seen: Floats, per_flow: Floats, flow: Floats
    ) -> Floats | None:
        """Follow the cycles on demand; return those that end at this step, one line each."""
        cycle, on_demand = self.cycle, self.plants.on_demand
        stops = self.cleaning & (self.dp <= build.stop_pa) & (self.n_bout >= ROWS)
        self.cleaning &= ~stops
        for name in ("residual", "n", "x", "y", "xx", "xy"):
            cycle[name][stops] = 0.0
        cycle["end"][stops] = float(k)
        cycle["g0"][stops] = self.gas[stops]
        rests = on_demand & ~self.cleaning
        x = (self.gas - cycle["g0"]) * rests
        cycle["n"] = cycle["n"] + rests
        cycle["x"] = cycle["x"] + x
        cycle["y"] = cycle["y"] + per_flow * rests
        cycle["xx"] = cycle["xx"] + x * x
        cycle["xy"] = cycle["xy"] + x * per_flow
        settles = rests & (k - cycle["end"] < SETTLED) & (k >= cycle["end"])
        cycle["residual"] = cycle["residual"] + seen[k] / SETTLED * settles
        cycle["flow"] = np.where(settles, flow, cycle["flow"])
        starts = rests & (self.dp >= build.start_pa)
        out = None
        if starts.any():
            at = np.flatnonzero(starts)
            known = ("start", "end", "residual", "peak", "flow", "n", "x", "y", "xx", "xy")
            held = np.column_stack([cycle[name][at] for name in known])
            out = _lines(at, held, self.n_bout[at], float(k))
            cycle["start"][at], cycle["peak"][at] = float(k), seen[k][at]
            self.n_bout[at] = 0
            self.cleaning[at] = True
        if k == N_STEPS - 1:  # days are found one by one: a cycle over midnight is none
            cycle["start"][:] = np.nan
        return out


def _lines(who: npt.NDArray[np.intp], held: Floats, n_pulses: Floats, k: float) -> Floats:
    """Lines of whole cycles: plant, bout and rest [s], residual, peak, flow, pulses, line."""
    start, end, residual, peak, flow, n, x, y, xx, xy = held.T
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (n * xy - x * y) / (n * xx - x * x)
        clean = (y - slope * x) / n
    spans = ((end - start) * STEP_S, (k - end) * STEP_S)
    out = np.column_stack((who, *spans, residual, peak, flow, n_pulses, clean, slope))
    return np.asarray(out[(n >= 4) & np.isfinite(start) & (end > start)])


def _demand_facts(lines: Floats) -> Facts:
    if len(lines) < 3:
        return {}
    _, bout, rest, residual, peak, flow, n_pulses, clean, growth = lines.T
    fall = (peak - residual) * (1 + bout / rest)
    return {
        Fact.RESIDUAL_DP_PA: float(np.median(residual)),
        Fact.PEAK_DP_PA: float(np.median(peak)),
        Fact.CYCLE_TIME_S: float(np.median(bout + rest)),
        Fact.FLOW_M3_S: float(np.median(flow)),
        Fact.RESIDUAL_DP_PER_FLOW: float(np.median(residual / flow)),
        Fact.CLEAN_DP_PER_FLOW: float(np.median(clean)),
        Fact.DP_PER_FLOW_GROWTH: float(np.median(growth)),
        Fact.CAKE_PER_PULSE_PA: float(fall.sum() / n_pulses.sum()),
    }


def _timed_facts(seen: Floats, per_flow: Floats, flow: Floats) -> Callable[[int], Facts]:
    """Return a function of the plant: foot and crest of each pass, rise between pulses."""
    a_pass, n = ON_TIME_STEPS * ROWS, seen.shape[1]
    passes = N_STEPS // a_pass
    dp = seen[: passes * a_pass].reshape(passes, a_pass, n)
    drag = per_flow[: passes * a_pass].reshape(passes, a_pass, n)
    residual, peak = np.quantile(dp, (0.1, 0.9), axis=1)
    foot = np.quantile(drag, 0.1, axis=1)
    through = flow.T[: passes * a_pass].reshape(passes, a_pass, n).mean(axis=1)
    between = per_flow.reshape(-1, ON_TIME_STEPS, n)
    # The first step of each minute is read before its pulse.
    y = between[:, 1:] - between[:, 1:].mean(axis=1, keepdims=True)
    gas = np.cumsum(flow.T * STEP_S, axis=0).reshape(-1, ON_TIME_STEPS, n)[:, 1:]
    x = gas - gas.mean(axis=1, keepdims=True)
    growth = (x * y).sum(axis=(0, 1)) / (x * x).sum(axis=(0, 1))

    def of(p: int) -> Facts:
        return {
            Fact.RESIDUAL_DP_PA: float(np.median(residual[:, p])),
            Fact.PEAK_DP_PA: float(np.median(peak[:, p])),
            Fact.CYCLE_TIME_S: a_pass * STEP_S,
            Fact.FLOW_M3_S: float(np.median(through[:, p])),
            Fact.RESIDUAL_DP_PER_FLOW: float(np.median(residual[:, p] / through[:, p])),
            Fact.CLEAN_DP_PER_FLOW: float(np.median(foot[:, p])),
            Fact.DP_PER_FLOW_GROWTH: float(growth[p]),
        }

    return of


def _falls(falls: list[tuple[Floats, Floats]]) -> list[Facts]:
    """Mean fall of DP at a pulse and its error, of each plant."""
    used, fall = (np.array([one[k] for one in falls]) for k in (0, 1))
    count = used.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = (used * fall).sum(axis=0) / count
        error = np.sqrt((used * (fall - mean) ** 2).sum(axis=0) / (count - 1) / count)
    error = np.hypot(error, NOISE_PA / np.sqrt(np.maximum(count, 1)))
    return [
        {Fact.DP_FALL_PA: float(m), Fact.DP_FALL_ERROR_PA: float(e)} if c > 2 else {}
        for m, e, c in zip(mean, error, count, strict=True)
    ]
