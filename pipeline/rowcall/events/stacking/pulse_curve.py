"""The curve of a header: the drop after a reference row's pulse, and the recovery.

    P(u) = 0 for u < 0,  u / c while the valve is open,  exp(-(u - c) / tau) from its closing c on,

averaged over the instants at which the fire may have come, where those are only known to an
interval. For given c and tau the best drop is a ratio of sums, so a scan of a grid fits it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from rowcall import trade
from rowcall.model import Floats

# Closings tried [s]; chosen: up to 2.4, for a long pulse time makes all rows close late alike.
_CLOSES_S = np.concatenate((np.arange(0.05, 0.4, 0.025), np.arange(0.4, 2.45, 0.1)))
# Recovery constants tried; chosen: usual ones are 1-5 s, and 8 % from step to step is refined
_TAUS_S = np.geomspace(0.4, 40.0, 60)
MIN_DROP = 0.03  # chosen: of gauge pressure; a usual drop is 15-40 % (common practice)
_MAX_DROP = 0.9  # of gauge pressure; chosen: no pulse empties a header further
# Instants that stand for an interval; chosen: a ninth of 1 s is the time of a pulse's fall
_N_BLUR = 9
# Chosen: by which a row's points in a bin lie apart from the others' in time, or its fires do from
# what the bits say; while the pressure falls that is most of what a few points show.
_FALL_S = 0.03
_AS_GOOD = 8.0  # chosen: closings whose log-likelihoods differ by less are equally good


@dataclass(frozen=True, slots=True)
class PulseCurve:
    """Relative drop [-], closing [s], recovery constant [s], width of the fires' instants [s]."""

    drop: float
    close_s: float
    tau_s: float
    width_s: float

    @property
    def fall_error(self) -> float:
        """Error of a deficit while the pressure falls, from its time being off [-]."""
        return _FALL_S * self.drop / self.close_s

    def shape(self, since_s: Floats) -> Floats:
        """The curve of unit drop at times since the earliest instant of a fire [s]."""
        return curve_shape(since_s, self.close_s, self.tau_s, self.width_s)


def curve_shape(
    since_s: Floats, close_s: float, tau_s: float | Floats, width_s: float, hold_s: float = 0.0
) -> Floats:
    """P(u); with `hold_s` the lowest pressure is held for so long before the refill begins.

    Shape (n_bins,), or (n_taus, n_bins) where `tau_s` has shape (n_taus, 1).
    """
    return blurred(
        since_s,
        width_s,
        lambda u: np.where(
            u < close_s,
            np.maximum(u, 0.0) / close_s,
            np.exp(-np.maximum(u - close_s - hold_s, 0.0) / tau_s),
        ),
    )


def ramp_shape(
    since_s: Floats, close_s: float, tau_s: float | Floats, width_s: float, hold_s: float
) -> Floats:
    """What a valve that stays open for `hold_s` adds: from 0 at `close_s` to 1, then a refill.

    Shaped as `curve_shape`.
    """
    return blurred(
        since_s,
        width_s,
        lambda u: np.where(
            u < close_s + hold_s,
            np.clip((u - close_s) / hold_s, 0.0, 1.0),
            np.exp(-np.maximum(u - close_s - hold_s, 0.0) / tau_s),
        ),
    )


def blurred(since_s: Floats, width_s: float, curve: Callable[[Floats], Floats]) -> Floats:
    """Mean of a curve over fires spread evenly over (0, width]."""
    if width_s <= 0:
        return curve(since_s)
    late = (np.arange(_N_BLUR) + 0.5) / _N_BLUR * width_s
    return np.asarray(np.mean([curve(since_s - one) for one in late], axis=0))


def _shapes(since_s: Floats, width_s: float) -> Floats:
    """Return `curve_shape` of all times of closing and taus, shape (n_closes, n_taus, n_bins)."""
    close, tau = _CLOSES_S[:, None, None], _TAUS_S[:, None]
    late = np.exp(close / tau)  # one power for all times of closing: most of the work is in powers

    def curves(u: Floats) -> Floats:
        since = np.maximum(u, 0.0)
        return np.where(u < close, since / close, late * np.exp(-since / tau))

    return blurred(since_s, width_s, curves)


def fit_curve(
    since_s: Floats, count: Floats, mean: Floats, sigma: float, width_s: float
) -> PulseCurve:
    """Fit P to the pooled stack of reference rows.

    Args:
        since_s, count, mean: of each bin, shape (n_bins,): time since fire, points, mean deficit.
        sigma: standard deviation of a point [-].
    """
    shapes = _shapes(since_s, width_s)
    s_ff, s_fy = (shapes**2) @ count, shapes @ (count * mean)
    # Where only far ends of refills were sampled a header could have been emptied twice over.
    is_possible = (s_fy > 0) & (s_fy < _MAX_DROP * s_ff)
    gain = np.where(is_possible, s_fy**2 / np.maximum(s_ff, 1e-12), 0.0)
    # Sampling in step with the pulses leaves the closing open: then it is taken as usual. Refills
    # are not quite exponential, and what the best curve leaves over counts as noise.
    left = float(((mean**2) @ count - gain.max()) / max((count > 0).sum() - 3, 1))
    as_good = gain.max(axis=1) >= gain.max() - 2 * _AS_GOOD * max(sigma**2, left)
    usual = int(np.argmin(np.where(as_good, np.abs(_CLOSES_S - trade.VALVE_OPEN.value), np.inf)))
    at = int(gain[usual].argmax())
    close_s, tau_s = float(_CLOSES_S[usual]), float(_TAUS_S[at])
    if 0 < at < _TAUS_S.size - 1:
        left, best, right = gain[usual, at - 1 : at + 2].tolist()
        bend = left - 2 * best + right
        if bend < 0:
            tau_s *= float((_TAUS_S[1] / _TAUS_S[0]) ** ((left - right) / (2 * bend)))
    shape = curve_shape(since_s, close_s, tau_s, width_s)
    size = float((shape**2) @ count)
    drop = float(shape @ (count * mean)) / size if size > 0 else 0.0
    return PulseCurve(drop, close_s, tau_s, width_s)
