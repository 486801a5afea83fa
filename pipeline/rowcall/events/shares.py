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
from rowcall.events.stack import LEAST_DROP, Stack
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]

ANSWERED_SHARE = 0.25  # chosen: between a faint row (60 % of its peers) and a silent one (0 %)
_ERRORS = 3.0  # chosen: standard errors by which an answer and none must lie apart from it
_LEAST_USUAL = 0.12  # a usual drop is 15-40 % of gauge pressure: common practice, no source
_FAST_TAU_S = 3.0 / T95  # a usual refill takes 3-15 s to 95 %: common practice, no source
_TO_DEVIATION = 1.4826  # median absolute deviation of a normal distribution to its standard deviation


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
    points, n_fires = stack.overlay, stack.overlay.line.size
    m = _expected(stack)
    s_mm = np.bincount(points.fire, m**2, n_fires)
    s_my = np.bincount(points.fire, m * points.y, n_fires)
    heard = s_mm > 1e-12
    share = np.divide(s_my, s_mm, out=np.zeros(n_fires), where=heard)
    # Points late in a refill tell the noise; early ones scatter with the pulses themselves.
    late = m <= np.median(m)
    noise = float(np.sqrt(np.mean((points.y - share[points.fire] * m)[late] ** 2)))
    error = np.divide(noise, np.sqrt(s_mm), out=np.full(n_fires, np.inf), where=heard)
    scatter = _scatter(share[heard], points.line[heard])
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
        middle = float(np.median(mine))
        if mine.size > 2 and middle > ANSWERED_SHARE:
            scatter.append(_TO_DEVIATION * float(np.median(np.abs(mine / middle - 1))))
    return float(np.median(scatter)) if scatter else 0.0
