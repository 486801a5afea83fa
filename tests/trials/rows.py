"""What is planted on the rows of one header, and what the header itself is like: drawn by seed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from trials.conditions import Faults


class Kind(StrEnum):
    """State of a row over the whole trial."""

    HEALTHY = "healthy"
    SILENT = "silent"
    FAINT = "faint"
    DRAWN_OUT = "drawn out"
    INTERMITTENT = "intermittent"
    NOT_CALLED = "not called"
    FEWER_BAGS = "fewer bags"  # by design: sound


SLIGHT_DROP = (0.5, 0.9)  # of the row's sound one
SLIGHT_LATE_S = (0.1, 0.4)
FEWER = (0.6, 0.85)  # drop of a row with fewer bags; chosen: two to five bags of 14 less
FAULTS = tuple(kind for kind in Kind if kind not in (Kind.HEALTHY, Kind.FEWER_BAGS))


@dataclass(frozen=True, slots=True)
class RowPlan:
    """One row as planted.

    Attributes:
        drop_share: drop as a share of this row's healthy one [-].
        late_s: how late the valve closes [s]; late_flow: share of full flow that passes then [-].
        one_in: silent on one call in this many; 0: never.
    """

    kind: Kind
    drop_share: float = 1.0
    late_s: float = 0.0
    late_flow: float = 0.0
    one_in: int = 0


@dataclass(frozen=True, slots=True)
class HeaderPlan:
    """One header as drawn, pressures gauge.

    Attributes:
        set_pa: pressure at rest; drop_frac: healthy drop as a share of it.
        refill_s: time until 95 % of a healthy drop is recovered.
        row_spread, pulse_spread: standard deviations of the drop, row to row and pulse to pulse,
            as shares of it.
        rows: row 1 first.
    """

    set_pa: float
    drop_frac: float
    refill_s: float
    row_spread: float
    pulse_spread: float
    rows: tuple[RowPlan, ...]


def draw_header(
    rng: np.random.Generator,
    n_rows: int,
    interval_s: float,
    faults: Faults = "usual",
    *,
    is_wide: bool = False,
) -> HeaderPlan:
    """Draw a header and plant faults on at most two rows in five.

    Ranges: drop 15-40 % of gauge pressure, refill 3-15 s, late closing up to 2 s: common practice,
    no source. The refill is drawn to end within 0.8 of the interval, as it must in a sound plant.
    is_wide: drops of 3-45 %, refills of 2-30 s and up to 1.3 intervals.
    """
    longest_s = max(3.2, min(15.0, 0.8 * interval_s))
    refill_s = (2.0, min(30.0, 1.3 * interval_s)) if is_wide else (3.0, longest_s)
    return HeaderPlan(
        set_pa=float(rng.uniform(2.5e5, 6.5e5)),
        drop_frac=float(rng.uniform(*((0.03, 0.45) if is_wide else (0.15, 0.40)))),
        refill_s=float(rng.uniform(*refill_s)),
        row_spread=float(rng.uniform(0.03, 0.05)),
        pulse_spread=float(rng.uniform(0.02, 0.04)),
        rows=_plant(rng, n_rows) if faults == "usual" else _plant_slight(rng, n_rows, faults),
    )


def _plant_slight(rng: np.random.Generator, n_rows: int, faults: Faults) -> tuple[RowPlan, ...]:
    """Weak and late rows between sound and plain ones in turn, or rows with fewer bags."""
    rows = [RowPlan(Kind.HEALTHY)] * n_rows
    for number, place in enumerate(rng.permutation(n_rows)[: int(0.4 * n_rows)]):
        if faults == "by design":
            rows[int(place)] = RowPlan(Kind.FEWER_BAGS, drop_share=float(rng.uniform(*FEWER)))
        elif number % 2:
            rows[int(place)] = RowPlan(Kind.FAINT, drop_share=float(rng.uniform(*SLIGHT_DROP)))
        else:
            late_s, late_flow = rng.uniform(*SLIGHT_LATE_S), rng.uniform(0.2, 1.0)
            plan = RowPlan(Kind.DRAWN_OUT, late_s=float(late_s), late_flow=float(late_flow))
            rows[int(place)] = plan
        if faults == "by design" and number == 1:
            break
    return tuple(rows)


def _plant(rng: np.random.Generator, n_rows: int) -> tuple[RowPlan, ...]:
    rows = [RowPlan(Kind.HEALTHY)] * n_rows
    kinds = rng.permutation(np.array(FAULTS, dtype=object))[: int(0.4 * n_rows)]
    for place, kind in zip(rng.permutation(n_rows), kinds, strict=False):
        rows[int(place)] = draw_fault(rng, kind)
    return tuple(rows)


def draw_fault(rng: np.random.Generator, kind: Kind) -> RowPlan:
    """Draw one fault of a kind."""
    if kind is Kind.SILENT:
        return RowPlan(kind, drop_share=0.0)
    if kind is Kind.FAINT:
        return RowPlan(kind, drop_share=float(rng.uniform(0.3, 0.6)))
    if kind is Kind.DRAWN_OUT:
        late_s, late_flow = float(rng.uniform(0.4, 2.0)), float(rng.uniform(0.2, 1.0))
        return RowPlan(kind, late_s=late_s, late_flow=late_flow)
    if kind is Kind.INTERMITTENT:
        # Rarer misses are a matter of what a rule calls steady, not of what can be seen.
        return RowPlan(kind, one_in=int(rng.integers(2, 4)))
    return RowPlan(kind)
