"""Trend of a daily series, with a rate and a prediction that state their whole uncertainty.

Model, fitted exactly over a grid (Bayesian averaging; no draws): value x (flow ratio)^-b is a line,
at most once bent, plus noise of variance s^2 (w same-weekday + (1 - w) AR(1) with coefficient r).
How far DP follows flow (b), how much noise is a weekly pattern (w), how long it lasts (r) and
where the rate last changed are hardly known from some days, so every combination counts by its
marginal likelihood: level and slope with flat priors, the change of rate with a unit-information
prior (Kass and Wasserman 1995), s^2 inverse-gamma. The rate and the value on a later day are then
mixtures of Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import stdtr

from rowcall.events.noise import TO_DEVIATION
from rowcall.model import Floats

_MEMORY = (0.0, 0.3, 0.6, 0.8, 0.9)  # [-] r; above it no trend and wandering level differ
_WEEKLY = (0.0, 0.3, 0.6, 0.9)  # [-] w
_EXPONENTS = tuple(np.arange(0.0, 2.01, 0.25))  # [-] b; DP held by a controller 0, cake by clock 2
_EXPONENT_MEAN, _EXPONENT_SD = 1.0, 0.5  # [-] of b beforehand; laminar flow through a cake: 1
_NOISE_FRAC, _NOISE_N = 0.01, 2.0  # [-] of the level, days: noise beforehand, and its weight
_P_BENT = 0.8  # [-] chosen: rates do change; trials cover 0.80 of dates at 0.5, 0.85 at 0.8
_MAX_BENDS = 16  # chosen: places of a bend, evenly spread
_MIN_LEG = 7  # [points] chosen: before and after a bend
_WILD = 6.0  # [robust standard deviations] chosen: a day so far from its neighbours is left out
_JITTER = 1e-9  # [-] keeps a pure weekly pattern solvable
_FINE = 1e-10  # of the range in which a quantile is looked for; chosen: no digit shown
_NEGLIGIBLE = 1e-4  # chosen: fits of less weight move no digit shown
MIN_POINTS = 5  # chosen: two of line, three of noise


@dataclass(frozen=True, slots=True)
class Trend:
    """Line through a series, as a mixture of fits (shape (k,)); time 0 is the last point.

    Attributes:
        weight: posterior probability of each fit; sums to 1.
        level, slope: of the line at its end, per fit.
        spread: covariance of (level, slope), shape (k, 2, 2), Student's t with `dof`.
        noise: scale of one day's noise, per fit.
        exponent: mean exponent by which values were corrected for flow [-].
        climb, climb_error: rise of the line from the first point to the last and its scale,
            Student's t with `dof`, per fit.
    """

    weight: Floats
    level: Floats
    slope: Floats
    spread: Floats
    noise: Floats
    dof: float
    exponent: float
    climb: Floats
    climb_error: Floats
    n: int

    @property
    def rate(self) -> float:
        """Mean change of value per unit of time at the end."""
        return float(self.weight @ self.slope)

    @property
    def end(self) -> float:
        """Mean value of the line at the end."""
        return float(self.weight @ self.level)

    @property
    def rise(self) -> float:
        """Mean rise from the first point to the last."""
        return float(self.weight @ self.climb)

    @property
    def p_no_rise(self) -> float:
        """Probability that the line ends no higher than it began."""
        return float(self.weight @ stdtr(self.dof, -self.climb / self.climb_error))

    def p_rate_at_most(self, rate: float) -> float:
        """Return the probability that the rate at the end is at most this one."""
        error = np.sqrt(self.spread[:, 1, 1])
        return float(self.weight @ stdtr(self.dof, (rate - self.slope) / error))

    def rate_quantile(self, p: float) -> float:
        """Return the rate that holds with probability p at most."""
        error = np.sqrt(self.spread[:, 1, 1])
        low, high = float((self.slope - 99 * error).min()), float((self.slope + 99 * error).max())
        fine = _FINE * (high - low)
        return float(brentq(lambda rate: self.p_rate_at_most(rate) - p, low, high, xtol=fine))

    def p_above(self, limit: float, after: Floats) -> Floats:
        """Return the probability that a value so long after the end is above a limit; (n,)."""
        v, late = self.spread, after[:, None]
        variance = v[:, 0, 0] + 2 * late * v[:, 0, 1] + late**2 * v[:, 1, 1] + self.noise**2
        above = (self.level + late * self.slope - limit) / np.sqrt(variance)
        below: Floats = stdtr(self.dof, above)
        return below @ self.weight


def fit_trend(time: Floats, value: Floats, log_flow: Floats | None = None) -> Trend | None:
    """Fit a series, all shape (n,), time rising; None for fewer than `MIN_POINTS` points."""
    if value.size < MIN_POINTS:
        return None
    flow = np.zeros(value.size) if log_flow is None else log_flow
    keep = _not_wild(value)
    time, value, flow = time[keep] - time[-1], value[keep], flow[keep] - flow[keep].mean()
    exponents = np.array(_EXPONENTS if np.ptp(flow) > 0 else (_EXPONENT_MEAN,))
    corrected = value[:, None] * np.exp(-exponents * flow[:, None])
    hinges = _hinges(time)
    noises = [_fits(time, corrected, hinges, *noise) for noise in product(_MEMORY, _WEEKLY)]
    log_weight, line, spread, noise_sd = (np.stack(part) for part in zip(*noises, strict=True))
    # From the first point to the last, by slope and change of rate: the level is in both.
    up = np.column_stack((np.full(hinges.shape[1], -time[0]), -hinges[0]))
    climb = (line[..., 1:] * up[:, None]).sum(-1)
    climb_error = np.sqrt(np.einsum("ki,nkbij,kj->nkb", up, spread[..., 1:, 1:], up))
    log_weight -= 0.5 * ((exponents - _EXPONENT_MEAN) / _EXPONENT_SD) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    kept = weight > _NEGLIGIBLE
    return Trend(
        weight=weight[kept] / weight[kept].sum(),
        level=line[kept][:, 0],
        slope=line[kept][:, 1],
        spread=spread[kept][:, :2, :2],
        noise=noise_sd[kept],
        dof=_NOISE_N + value.size - 2,
        exponent=float((weight * exponents).sum()),
        climb=climb[kept],
        climb_error=climb_error[kept],
        n=int(value.size),
    )


def _hinges(time: Floats) -> Floats:
    """Return what a change of rate adds to a line, shape (n, 1 + bends); the first is no change."""
    last = time.size - _MIN_LEG
    places = np.linspace(_MIN_LEG, last, _MAX_BENDS if last >= _MIN_LEG else 0)
    bends = np.unique(places.astype(np.int64))
    # 0 after the bend, so that the slope is the last one.
    return np.column_stack((0.0 * time, np.minimum(time[:, None] - time[bends], 0.0)))


def _fits(
    time: Floats, corrected: Floats, hinges: Floats, memory: float, weekly: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Fit every bend (k) and exponent (b) by least squares under one covariance of the noise.

    Returns:
        log weight (k, b); level, slope, change of rate (k, b, 3); their covariance (k, b, 3, 3);
        noise (k, b).
    """
    n, k = hinges.shape
    apart = np.abs(time[:, None] - time[None, :])
    shape = (1 - weekly) * memory**apart + weekly * (apart % 7.0 == 0) + _JITTER * np.eye(n)
    root = np.linalg.cholesky(shape)
    white = np.linalg.solve(root, np.column_stack((np.ones(n), time, hinges, corrected)))
    gram = white.T @ white
    use = np.column_stack((np.zeros(k, int), np.ones(k, int), 2 + np.arange(k)))
    design = gram[use[:, :, None], use[:, None, :]]
    line = design[0, :2, :2]
    unit = (
        design[:, 2, 2] - (design[:, 2, :2] @ np.linalg.inv(line) * design[:, 2, :2]).sum(1)
    ) / n
    unit[0] = 1.0  # no bend: any prior leaves its change of rate at 0
    design[:, 2, 2] += unit
    inverse = np.linalg.inv(design)
    to_value = gram[use][:, :, 2 + k :]
    fitted = inverse @ to_value
    square = np.diag(gram)[2 + k :] - (to_value * fitted).sum(1)
    floor = _NOISE_N * (_NOISE_FRAC * np.median(corrected, axis=0)) ** 2
    dof = _NOISE_N + n - 2
    # A series of zeros has no noise, and no logarithm of it.
    variance = np.maximum(floor + np.maximum(square, 0.0), np.finfo(np.float64).tiny) / dof
    share = 0.5 * np.log(unit) - 0.5 * np.linalg.slogdet(design)[1] - np.log(np.diag(root)).sum()
    share += np.log(np.where(np.arange(k) == 0, 1.0 - _P_BENT, _P_BENT / max(k - 1, 1)))
    log_weight = share[:, None] - 0.5 * dof * np.log(variance)
    spread = variance[..., None, None] * inverse[:, None]
    return log_weight, np.swapaxes(fitted, 1, 2), spread, np.sqrt(variance)


def _not_wild(value: Floats) -> npt.NDArray[np.bool_]:
    """Return which points lie near the median of themselves and two on each side (Hampel)."""
    padded = np.pad(value, 2, mode="reflect", reflect_type="odd")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    off = np.abs(value - middle)
    floor = _NOISE_FRAC * abs(float(np.median(value)))
    near: npt.NDArray[np.bool_] = off <= _WILD * max(TO_DEVIATION * float(np.median(off)), floor)
    return near
