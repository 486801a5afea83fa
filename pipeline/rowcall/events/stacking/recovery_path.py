"""How a header comes back from whatever deficit it has: one measured path serves all.

What flows in depends on what is missing, so each refill runs along the same path from where it
begins, be it exponential or not. The path is the mean deficit of the reference rows' pulses over
the time since their fire. Above it the rate goes on changing by the same power of the deficit (0
where the refill is exponential, -1/2 through an orifice), below it goes on exponentially.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.events.stacking.bins import mean_of
from rowcall.events.stacking.pulse_curve import PulseCurve
from rowcall.model import Floats

Flags = npt.NDArray[np.bool_]

_MIN_POINTS = 5  # points of a bin, and bins of a path; chosen: fewer are noise
_MIN_DEFICIT = 0.03  # chosen: of the drop; smaller deficits depend on the level of the supply
_MIN_BEND = 1e-3  # of the power; chosen: an exponential, without dividing by zero
_HANGING_S = 2.5  # a valve that closes late blows 0.5-2 s: common practice, no source
_MIN_DEEPER = 1.2  # chosen: than the reference rows' deficits, to show what lies above them
# Rates against the header's own; chosen: wider than orifice and exponential differ
_MAX_SLOWER, _MAX_FASTER = 6.0, 3.0
_TINY = 1e-9  # of the deficit, or of its logarithm; chosen: against division by zero
# Relative drops tried; chosen: 1-2 % of a header's pressure is finer than a drop is known
_DROPS = np.concatenate((np.arange(0.0, 0.5, 0.0125), np.arange(0.5, 0.825, 0.025)))


@dataclass(frozen=True, slots=True)
class RecoveryPath:
    """Times since a fire [s], rising, and deficits by then [-], falling; shape (n_nodes,) each.

    Above the first deficit the rate is first_1_s (deficit / first deficit) ^ -bend, below the last
    it is last_1_s [1/s].
    """

    since_s: Floats
    deficit: Floats
    first_1_s: float
    bend: float
    last_1_s: float

    def after(self, deficit: Floats, time_s: Floats) -> Floats:
        """What is left of deficits after a time."""
        return self._at(self._time_of(deficit) + time_s)

    def time_constants_s(self, deficit: Floats) -> Floats:
        """Time in which deficits recover to 1/e of them [s]: their recovery constants."""
        return np.asarray(self._time_of(deficit / np.e) - self._time_of(deficit))

    def _time_of(self, deficit: Floats) -> Floats:
        log, own = np.log(np.maximum(deficit, _TINY)), np.log(self.deficit)
        inside = np.interp(-log, -own, self.since_s)
        above = np.expm1(self.bend * np.maximum(log - own[0], 0.0)) / (self.bend * self.first_1_s)
        return np.asarray(inside - above + np.maximum(own[-1] - log, 0.0) / self.last_1_s)

    def _at(self, time_s: Floats) -> Floats:
        log = np.interp(time_s, self.since_s, np.log(self.deficit))
        before = self.bend * self.first_1_s * np.maximum(self.since_s[0] - time_s, 0.0)
        after = np.maximum(time_s - self.since_s[-1], 0.0) * self.last_1_s
        return np.asarray(np.exp(np.minimum(log + np.log1p(before) / self.bend - after, 0.0)))


def measured_path(
    since_s: Floats, count: Floats, total_deficit: Floats, undisturbed: Flags, curve: PulseCurve
) -> RecoveryPath:
    """Return the path of a header; where too little is measured, the fitted curve's.

    Args:
        since_s: time since fire of each bin, shape (n_bins,) [s].
        count, total_deficit: points of answers and their mean deficit, with all that was not yet
            recovered before, shape (n_rows, n_bins).
        undisturbed: reference rows that met what such rows usually meet, shape (n_rows,).
    """
    begin, usual = curve.close_s + curve.width_s, 1.0 / curve.tau_s
    used = count * undisturbed[:, None]
    mean = mean_of(used, total_deficit)
    seen = (since_s >= begin) & (used.sum(axis=0) >= _MIN_POINTS)
    low = seen & (mean <= _MIN_DEFICIT * max(curve.drop, 0.0))
    seen &= since_s < (since_s[low][0] if low.any() else np.inf)
    at, deficit = _falling(since_s[seen], mean[seen], used.sum(axis=0)[seen])
    if at.size < _MIN_POINTS or deficit[-1] <= 0:
        top = max(curve.drop, _TINY)
        nodes = np.array([begin, begin + curve.tau_s])
        return RecoveryPath(nodes, top * np.exp([0.0, -1.0]), usual, _MIN_BEND, usual)
    upper = _rate(at, deficit, deficit[0], usual)
    bend = _bend(since_s - begin, count, total_deficit, float(deficit[0]), upper)
    first = upper * np.sqrt(0.5) ** bend
    return RecoveryPath(at, deficit, first, bend, _rate(at, deficit, 2.0 * deficit[-1], usual))


def _falling(at: Floats, value: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Falling path nearest to values (pool adjacent violators); pools at their mean places."""
    pools: list[list[float]] = []
    for one in zip(weight.tolist(), (weight * at).tolist(), (weight * value).tolist(), strict=True):
        pools.append(list(one))
        while len(pools) > 1 and pools[-2][2] * pools[-1][0] <= pools[-1][2] * pools[-2][0]:
            last = pools.pop()
            pools[-1] = [a + b for a, b in zip(pools[-1], last, strict=True)]
    n, times, total = np.array(pools).reshape(-1, 3).T
    return times / n, total / n


def _bend(
    after_s: Floats, count: Floats, total_deficit: Floats, top: float, upper_1_s: float
) -> float:
    """Power by which the rate falls above the reference rows' deficits, from the deepest row's."""
    is_closed = after_s >= _HANGING_S
    n, deficits = count[:, is_closed], total_deficit[:, is_closed]
    mean = (n * deficits).sum(axis=1) / np.maximum(n.sum(axis=1), 1)
    deepest = int(mean.argmax())
    seen = (n[deepest] >= _MIN_POINTS) & (deficits[deepest] > 0)
    if seen.sum() < _MIN_POINTS or mean[deepest] < _MIN_DEEPER * top:
        return _MIN_BEND
    log, weight = np.log(deficits[deepest][seen]), np.sqrt(n[deepest][seen])
    slope = float(np.polyfit(after_s[is_closed][seen], log, 1, w=weight)[0])
    level = float(np.average(log, weights=weight**2)) - np.log(top * np.sqrt(0.5))
    bend = np.log(upper_1_s / max(-slope, _TINY)) / max(level, _TINY)
    return float(np.clip(bend, _MIN_BEND, 1.0))


def _rate(at: Floats, deficit: Floats, begin: float, usual: float) -> float:
    """Rate from a deficit to half of it, within bounds [1/s]; the usual one beyond the nodes."""
    if begin / 2.0 < deficit[-1] * (1.0 - _TINY):
        return usual
    from_s, to_s = np.interp(-np.log([begin, begin / 2.0]), -np.log(deficit), at)
    rate = np.log(2.0) / max(float(to_s - from_s), _TINY)
    return float(np.clip(rate, usual / _MAX_SLOWER, usual * _MAX_FASTER))


def drops_along(
    path: RecoveryPath, closed_s: Floats, count: Floats, total_deficit: Floats, left: Floats
) -> Floats:
    """Return the deficit that each row's answers make at once, by least squares on the path.

    Args:
        closed_s: time of each bin since the valve closed, shape (n_bins,) [s].
        count, total_deficit: points and their mean deficit, shape (n_rows, n_bins).
        left: deficit that the answers met, shape (n_rows,) [-].
    """
    begin = left[:, None] + (1.0 - left[:, None]) * _DROPS[None]
    deficits = path.after(begin[:, :, None], closed_s[None, None, :])
    off = np.einsum("rb,rdb->rd", count, (total_deficit[:, None] - deficits) ** 2)
    return np.asarray(_DROPS[off.argmin(axis=1)])
