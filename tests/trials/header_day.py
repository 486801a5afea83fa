"""What either simulator returns: true pressure at any instant, and the truth of every call."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from trials.rows import HeaderPlan, Kind
from trials.schedule import Floats, Schedule


@dataclass(frozen=True, slots=True)
class HeaderDay:
    """One header over one trial, free of noise; gauge pressures.

    Attributes:
        pressure_pa: pressure at instants [s since the start] in rising order.
        before_pa, drop_pa, minimum_after_s, tau_s: per call, shape (n,). drop_pa is 0 where the
            valve stayed shut, the other two nan; tau_s is the time until 1 - 1/e of such a
            drop from the plateau is recovered, nan where the next call came first.
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

    drop_ratio: median of its answered calls' drops, each as a share of the pressure before, over
        the median healthy row's; 0 for a silent row, nan for one that is not called. A share,
        because a row that follows a late valve meets an emptied header and yet opens as it should.
    drop_pa: median drop of its answered calls. tau_s: median of `HeaderDay.tau_s`.
    """

    row: int
    kind: Kind
    n_called: int
    n_answered: int
    drop_ratio: float
    drop_pa: float
    minimum_after_s: float
    tau_s: float


def labels_of(header: HeaderPlan, day: HeaderDay) -> tuple[RowLabel, ...]:
    """Return the label of every row, row 1 first."""
    kinds = [row.kind for row in header.rows]
    labels = [_label(row, kind, day) for row, kind in enumerate(kinds, start=1)]
    usual = _median(np.array([one.drop_ratio for one in labels if one.kind is Kind.HEALTHY]))
    return tuple(replace(one, drop_ratio=one.drop_ratio / usual) for one in labels)


def _label(row: int, kind: Kind, day: HeaderDay) -> RowLabel:
    """Label of one row, its drop still as a share of the pressure before."""
    mine = day.schedule.row == row
    blown = mine & (day.drop_pa > 0.0)
    return RowLabel(
        row=row,
        kind=kind,
        n_called=int(mine.sum()),
        n_answered=int(blown.sum()),
        drop_ratio=_median(day.drop_pa[blown] / day.before_pa[blown], mine),
        drop_pa=_median(day.drop_pa[blown], mine),
        minimum_after_s=_median(day.minimum_after_s[blown]),
        tau_s=_median(day.tau_s[blown]),
    )


def _median(values: Floats, called: npt.NDArray[np.bool_] | None = None) -> float:
    """Median of what is known; without any, 0 for a row that was called, else nan."""
    known = values[np.isfinite(values)]
    if known.size:
        return float(np.median(known))
    return 0.0 if called is not None and called.any() else float("nan")
