"""The refill of a header after a pulse, fitted for many pulses at once.

Between pulses the supply fills the header close to first order,

    p(t) = p_s - d * exp(-(t - t0) / tau),

with p_s the pressure it tends to, d the drop still to be recovered at t0 and tau the recovery
constant; 95 % of a drop is recovered after tau * ln 20 = 3.0 tau. For a given tau, p_s and d
follow from a straight least-squares line in exp(-t/tau) (variable projection), so one scan over
tau on a logarithmic grid, refined twice by a parabola, finds the least-squares fit of all three
without starting values and for all pulses together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats

T95 = math.log(20.0)  # times tau until 95 % of a drop is recovered

# Of tau; chosen: usual ones are 1-5 s, and 12 % from step to step
_MIN_TAU_S, _MAX_TAU_S, _N_GRID = 0.15, 90.0, 56
_FINE_STEP = 0.1  # of a grid step, for the second parabola; chosen: leaves an error below 0.1 %
_CHUNK = 512  # pulses at a time; chosen: what they need stays in a processor's cache
_MIN_POINTS = 4  # points: three unknowns and one degree of freedom


@dataclass(frozen=True, slots=True)
class Refill:
    """Fits of n pulses, arrays of shape (n,); nan where a pulse could not be fitted.

    Attributes:
        tau_s: recovery constant [s].
        plateau_pa: pressure that the header tends to [Pa].
        depth_pa: drop still to be recovered at the first fitted point [Pa].
        log_error: standard error of ln(tau) [-].
    """

    tau_s: Floats
    plateau_pa: Floats
    depth_pa: Floats
    log_error: Floats


def fit_refill(since_s: Floats, pressure_pa: Floats, noise_pa: float) -> Refill:
    """Fit the first-order fill to n pulses.

    Args:
        since_s: time since the first fitted point, shape (n, k) [s]; nan beyond a pulse's points.
        pressure_pa: header pressure, same shape [Pa].
        noise_pa: standard deviation of the pressure signal's noise [Pa].
    """
    used = np.isfinite(since_s) & np.isfinite(pressure_pa)
    count = used.sum(axis=1)
    order = np.argsort(count)  # so that pulses with as many points lie in a chunk
    order = order[count[order] >= _MIN_POINTS]
    fits = np.full((4, count.size), np.nan)
    for begin in range(0, order.size, _CHUNK):
        some = order[begin : begin + _CHUNK]
        points = np.ix_(some, used[some].any(axis=0))
        fits[:, some] = _fit_chunk(used[points], since_s[points], pressure_pa[points], noise_pa)
    return Refill(*fits)


def _fit_chunk(
    used: npt.NDArray[np.bool_], since_s: Floats, pressure_pa: Floats, noise_pa: float
) -> Floats:
    count = used.sum(axis=1)
    base = np.where(used, pressure_pa, 0.0).sum(axis=1) / count
    y = np.where(used, pressure_pa - base[:, None], 0.0)
    points = _Points(np.where(used, since_s, np.inf), y, count, y.sum(axis=1))
    grid = np.geomspace(_MIN_TAU_S, _MAX_TAU_S, _N_GRID)
    best, shift, curvature = _vertex(points.project(grid[:, None])[0])
    step = math.log(grid[1] / grid[0])
    tau = grid[best] * np.exp(shift * step)
    near = points.project(tau * np.exp(np.array([[-1.0], [0.0], [1.0]]) * step * _FINE_STEP))[0]
    tau = tau * np.exp(_vertex(near)[1] * step * _FINE_STEP)
    rest, plateau, depth = points.project(tau)
    variance = np.maximum(rest / np.maximum(count - 3, 1), noise_pa**2)
    error = np.sqrt(2.0 * variance / np.maximum(curvature / step**2, 1e-12))
    fit = np.stack([tau, plateau + base, depth, error])
    fit[:, (depth <= 0) | (best == 0) | (best == _N_GRID - 1)] = np.nan
    return fit


@dataclass(frozen=True, slots=True)
class _Points:
    """Points of n pulses, shape (n, k): inf and 0 where there is none; number and sum of y (n,)."""

    t: Floats
    y: Floats
    n: npt.NDArray[np.int_]
    s_y: Floats

    def project(self, tau_s: Floats) -> tuple[Floats, Floats, Floats]:
        """Best p_s and d for given tau; returns (sum of squared residuals, p_s, d).

        Shape (n,) each, or (n_taus, n) for taus of shape (n_taus, n) or (n_taus, 1).
        """
        e = np.exp(self.t / -tau_s[..., None])
        s_e = e.sum(axis=-1)
        s_ee = np.einsum("...j,...j->...", e, e) - s_e**2 / self.n
        s_ey = np.einsum("...j,...j->...", e, self.y) - s_e * self.s_y / self.n
        s_yy = np.einsum("ij,ij->i", self.y, self.y) - self.s_y**2 / self.n
        slope = np.divide(s_ey, s_ee, out=np.zeros_like(s_ey), where=s_ee > 1e-12)
        rest = np.maximum(s_yy - slope * s_ey, 0.0)
        return rest, (self.s_y - slope * s_e) / self.n, -slope


def _vertex(sse: Floats) -> tuple[npt.NDArray[np.int_], Floats, Floats]:
    """Index of the least value along axis 0, the parabola's shift from it and its curvature."""
    best = np.argmin(sse, axis=0)
    inner = np.clip(best, 1, len(sse) - 2)
    column = np.arange(sse.shape[1])
    left, mid, right = (sse[inner + k, column] for k in (-1, 0, 1))
    curvature = left - 2 * mid + right
    shift = np.divide(left - right, 2 * curvature, out=np.zeros_like(mid), where=curvature > 0)
    return best, np.clip(shift, -1, 1), curvature
