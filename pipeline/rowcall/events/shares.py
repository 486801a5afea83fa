"""How much of the usual drop each single pulse made: a matched filter on the points after it.

    share = sum(m y) / sum(m^2),  error = sigma / sqrt(sum(m^2))

with m the deficit of the sound rows at the point's time since fire and y the deficit seen. A pulse
whose points all come late, when little of a drop is left, gets a large error: it was not heard.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.events.header_curve import curve_shape
from rowcall.events.recovery import T95
from rowcall.events.stack import LEAST_DROP, TO_DEVIATION, Stack, pulse_shares
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]

ANSWERED_SHARE = 0.25  # chosen: between a faint row (60 % of its peers) and a silent one (0 %)
_ERRORS = 3.0  # chosen: standard errors by which an answer and none must lie apart from it
_LEAST_USUAL = 0.12  # a usual drop is 15-40 % of gauge pressure: common practice, no source
_FAST_TAU_S = 3.0 / T95  # a usual refill takes 3-15 s to 95 %: common practice, no source
TO_DEVIATION = (
    1.4826  # median absolute deviation of a normal distribution to its standard deviation
)


@dataclass(frozen=True, slots=True)
class Shares:
    """Share of the usual drop that each fire made, shape (n_fires,) [-].

    Attributes:
        share, error: and its standard error, infinite where a fire has no points.
        silent_error: standard error of a share that is truly nothing.
        scatter: relative scatter of a row's shares; large where the fires' instants are uncertain.
    """

    share: Floats
    error: Floats
    silent_error: Floats
    scatter: float

    @property
    def is_heard(self) -> npt.NDArray[np.bool_]:
        """Where a full answer and none are told apart, three standard errors to either side."""
        full = np.hypot(self.silent_error, self.scatter)
        is_heard: npt.NDArray[np.bool_] = (self.silent_error <= ANSWERED_SHARE / _ERRORS) & (
            full <= (1.0 - ANSWERED_SHARE) / _ERRORS
        )
        return is_heard

    @property
    def is_answered(self) -> npt.NDArray[np.bool_]:
        """Where a fire was heard and made a real drop."""
        return np.asarray(self.is_heard & (self.share > ANSWERED_SHARE))


def answer_shares(stack: Stack) -> Shares:
    """Return what each single pulse made of the usual drop."""
    share, error = pulse_shares(stack, _expected(stack))
    heard = np.isfinite(error)
    scatter = _scatter(share[heard], stack.line[heard])
    return Shares(share, np.hypot(error, scatter * np.maximum(share, 0.0)), error, scatter)


def _expected(stack: Stack) -> Floats:
    """Deficit at each point after a pulse of usual depth; where no row draws, of a shallow one."""
    if stack.curve.drop >= LEAST_DROP:
        return stack.usual_at_points()
    since = stack.overlay.since_s
    shape = curve_shape(since, trade.VALVE_OPEN.value, _FAST_TAU_S, stack.overlay.width_s)
    return _LEAST_USUAL * shape


def _scatter(share: Floats, line: Ints) -> float:
    """Relative scatter of the shares of a row that answers; of the median row."""
    scatter = []
    for row in np.unique(line):
        mine = share[line == row]
        mine = mine[mine > ANSWERED_SHARE * max(float(np.quantile(mine, 0.9)), ANSWERED_SHARE)]
        if mine.size > 2 and np.median(mine) > ANSWERED_SHARE:
            middle = float(np.median(mine))
            scatter.append(TO_DEVIATION * float(np.median(np.abs(mine / middle - 1))))
    return float(np.median(scatter)) if scatter else 0.0
