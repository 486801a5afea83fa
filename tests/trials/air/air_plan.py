"""The baghouse of an air trial, its pulses and supply: drawn by seed, the same for any physics."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from trials.air.air_faults import DAY_S, AirFault, Planted, draw_planted
from trials.rows import FEWER
from trials.schedule import Floats, Ints

LEAD_S = 600.0  # pulses before the first instant asked for, so that headers are in their cycle
_SCAN_S = 0.025  # a timer ends at the next program scan; chosen
LATE_FLOW = 0.6  # of a valve that hangs; chosen: the middle of what the roll call draws
_GRID_S = 10.0  # of the supply's table


@dataclass(frozen=True, slots=True)
class Pulses:
    """Pulses of the baghouse in order of time, shape (n,) each; compartments and rows from 1.

    drop_frac: of gauge pressure, with nothing fed meanwhile; 0 where the valve stays shut.
    late_s: how late its valve closes, at `LATE_FLOW` of its full flow.
    """

    at_s: Floats
    compartment: Ints
    row: Ints
    drop_frac: Floats
    late_s: Floats

    def of(self, mask: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Pulses:
        """Some of them."""
        return Pulses(*(getattr(self, name)[mask] for name in self.__slots__))

    def between(self, first_s: float, last_s: float) -> Pulses:
        """Those of a span."""
        return self.of((self.at_s >= first_s) & (self.at_s < last_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class AirPlan:
    """One baghouse as drawn, pressures gauge, times [s] from the start of its first day.

    Attributes:
        seed: it was drawn from. days: of the trial; the last one is judged.
        recovered: share of a drop recovered at the header's next pulse, by compartment, where
            headers are slow; else the recovery takes `refill_s` to 95 %.
        header_interval_s: between two pulses of one header. set_pa: mean supply.
        supply_table: supply every `_GRID_S` from -LEAD_S, the planted shortage included.
    """

    seed: int
    days: int
    compartments: int
    rows: int
    interval_s: float
    header_interval_s: float
    set_pa: float
    drop_frac: float
    refill_s: tuple[float, ...]
    recovered: tuple[float, ...] | None
    pulses: Pulses
    supply_table: Floats
    planted: Planted

    def supply_pa(self, at_s: Floats) -> Floats:
        """Supply at instants."""
        into = (at_s + LEAD_S) / _GRID_S
        left = np.clip(into.astype(np.int64), 0, self.supply_table.size - 2)
        low = self.supply_table[left]
        pressure: Floats = low + (into - left) * (self.supply_table[left + 1] - low)
        return pressure

    @property
    def judged_day(self) -> int:
        """Index of the day that is judged."""
        return self.days - 1

    def refills_s(self, tail: Callable[[float], float]) -> list[float]:
        """Recovery to 95 % by compartment; `tail`: in intervals, by the share recovered in one."""
        if self.recovered is None:
            return list(self.refill_s)
        return [self.header_interval_s * tail(share) for share in self.recovered]


def draw_plan(seed: int, fault: AirFault, days: int) -> AirPlan:
    """Draw a baghouse; the same seed gives the same one under every fault.

    Ranges: 2-4 headers, a pulse every 8-20 s, drops of 15-40 %, sound refills of 3-20 s within
    0.2-0.8 of the header's interval, a supply that wanders by 0-3 %: common practice, no source.
    """
    rng = np.random.default_rng([seed, 11])
    compartments, rows = (int(rng.integers(*ends, endpoint=True)) for ends in ((2, 4), (4, 8)))
    interval_s = round(float(rng.uniform(8.0, 20.0)), 1)
    is_in_turn = bool(rng.random() < 0.7)
    header_s = interval_s * (compartments if is_in_turn else 1)
    drop_frac = float(rng.uniform(0.15, 0.40))
    own = 1.0 + 0.1 * rng.uniform(-1.0, 1.0, compartments)
    refill_s = float(np.clip(rng.uniform(0.2, 0.8) * header_s, 3.0, 20.0))
    recovered = 0.8 + 0.15 * rng.random(compartments) if fault.is_slow else None
    before_pa = float(rng.uniform(5.65e5, 6.05e5))  # what felts are usually pulsed with
    left = 0.0 if recovered is None else float((1.0 - recovered).mean() / recovered.mean())
    set_pa = before_pa * (1.0 + left * drop_frac)
    pulses = _pulses(rng, (compartments, rows), interval_s, drop_frac, days, is_in_turn=is_in_turn)
    if fault.has_fewer:
        fewer = pulses.row == int(rng.integers(1, rows, endpoint=True))
        share = float(rng.uniform(*FEWER))
        pulses = replace(pulses, drop_frac=pulses.drop_frac * np.where(fewer, share, 1.0))
    supply: Floats = set_pa * (1.0 + _wander(rng, days))
    planted = draw_planted(rng, fault, compartments, days - 1)
    grid: Floats = _GRID_S * np.arange(supply.size, dtype=np.float64) - LEAD_S
    return AirPlan(
        seed=seed,
        days=days,
        compartments=compartments,
        rows=rows,
        interval_s=interval_s,
        header_interval_s=header_s,
        set_pa=set_pa,
        drop_frac=drop_frac,
        refill_s=tuple(float(refill_s * one) for one in own),
        recovered=None if recovered is None else tuple(recovered.tolist()),
        pulses=pulses,
        supply_table=supply - planted.shortage_pa(grid),
        planted=planted,
    )


def _pulses(
    rng: np.random.Generator,
    shape: tuple[int, int],
    interval_s: float,
    drop_frac: float,
    days: int,
    *,
    is_in_turn: bool,
) -> Pulses:
    """Rows of all compartments in turn, or one compartment after the other."""
    seconds = LEAD_S + DAY_S * days
    gaps = interval_s + _SCAN_S * rng.random(int(seconds / interval_s))
    at_s = np.round(np.cumsum(gaps) - LEAD_S, 6)
    compartment, row = np.indices(shape) + 1
    if is_in_turn:
        compartment, row = compartment.T, row.T
    turn = np.arange(at_s.size) % compartment.size
    whose, which = compartment.ravel()[turn], row.ravel()[turn]
    factor = 1.0 + rng.uniform(0.03, 0.05) * rng.standard_normal(shape)
    scatter = 1.0 + rng.uniform(0.02, 0.04) * rng.standard_normal(at_s.size)
    drops = drop_frac * factor[whose - 1, which - 1] * scatter
    return Pulses(at_s, whose, which, drops, np.zeros_like(at_s))


def _wander(rng: np.random.Generator, days: int) -> Floats:
    """Share by which the supply stands off its mean: slow waves and load steps within 3 %."""
    at_s = np.arange(-LEAD_S, DAY_S * days + 2.0 * _GRID_S, _GRID_S)
    size = rng.uniform(0.0, 0.03)
    periods, phases = rng.uniform(1200.0, 30_000.0, 4), rng.uniform(0.0, 2.0 * np.pi, 4)
    waves = np.sin(2.0 * np.pi * at_s[:, None] / periods + phases).mean(axis=1)
    edges = np.cumsum(rng.uniform(600.0, 5400.0, int(at_s.size * _GRID_S / 3000.0)))
    steps = rng.uniform(-1.0, 1.0, edges.size + 1)[np.searchsorted(edges, at_s)]
    smooth = np.convolve(steps, np.full(6, 1.0 / 6.0), "same")
    share: Floats = size * (0.75 * waves + 0.25 * smooth)
    return share
