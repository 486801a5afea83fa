"""What either simulator returns: true pressure at any instant, and the truth of every call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from trials.rows import HeaderPlan, Kind
from trials.schedule import Floats, Schedule


@dataclass(frozen=True, slots=True)
class HeaderDay:
    """One header over one trial, free of noise; gauge pressures.

    Attributes:
        pressure_pa: pressure at instants [s since the start] in rising order.
        before_pa, drop_pa, minimum_after_s, tau_s: per call, shape (n,). drop_pa is 0 where the
            valve stayed shut, the other two nan; tau_s is the time from the minimum until
            1 - 1/e of the drop is made good, nan where the next call came first.
    """

    schedule: Schedule
    pressure_pa: Callable[[Floats], Floats]
    before_pa: Floats
    drop_pa: Floats
    minimum_after_s: Floats
    tau_s: Floats


@dataclass(frozen=True, slots=True)
class RowLabel:
    """The truth of one row: as planted, and as the noise-free pressure has it.

    drop_ratio: median drop of its answered calls over the median healthy row's; 0 for a silent
        row, nan for one that is not called. tau_s: median of `HeaderDay.tau_s`.
    """

    row: int
    kind: Kind
    n_called: int
    n_answered: int
    drop_ratio: float
    minimum_after_s: float
    tau_s: float


def labels_of(header: HeaderPlan, day: HeaderDay) -> tuple[RowLabel, ...]:
    """Return the label of every row, row 1 first."""
    parts = [_calls_of(row, day) for row in range(1, len(header.rows) + 1)]
    healthy = [
        drop
        for (drop, *_), plan in zip(parts, header.rows, strict=True)
        if plan.kind is Kind.HEALTHY
    ]
    usual = float(np.median(healthy))
    return tuple(
        RowLabel(row, plan.kind, n_called, n_answered, drop / usual, after, tau)
        for row, (plan, (drop, after, tau, n_called, n_answered)) in enumerate(
            zip(header.rows, parts, strict=True), start=1
        )
    )


def _calls_of(row: int, day: HeaderDay) -> tuple[float, float, float, int, int]:
    """Medians of drop, time of the minimum and tau; numbers of calls and answers."""
    mine = day.schedule.row == row
    drop = day.drop_pa[mine]
    answered = drop > 0.0
    if not answered.any():
        return (0.0 if mine.any() else np.nan), np.nan, np.nan, int(mine.sum()), 0
    tau = day.tau_s[mine][answered]
    known = tau[np.isfinite(tau)]
    return (
        float(np.median(drop[answered])),
        float(np.median(day.minimum_after_s[mine][answered])),
        float(np.median(known)) if known.size else np.nan,
        int(mine.sum()),
        int(answered.sum()),
    )
