"""By how much a late valve ends its closing after its peers', and the error of that.

Timed is the end of closing: where the refill of the row begins, less where its peers' begins. The
refill alone does not show it, for a deeper drop refills as an earlier one would; the bend between
hanging and refilling does. So only what lies near it is fitted,

    y(u) = s * [fall to the peers' closing, then held] + w * hang(u), both refilled from L on,
    hang = (1 - exp(-k x)) / (1 - exp(-k)), x = (u - closing) / L,

with k from choked outflow against the refill, dd/dt = q (1 - d) - d / tau, whose q makes the drop
as deep as it is, up to a factor; s, w, that factor and the rate of the refill are averaged over.
"""

from __future__ import annotations

import numpy as np

from rowcall.events.stacking.pulse_curve import PulseCurve, blurred
from rowcall.events.stacking.types import Stack
from rowcall.model import Floats

MAX_LATE_S = 3.0  # chosen: a valve that closes late blows 0.5-2 s (common practice, no source)
_MIN_S, _N_FIRST = 0.03, 24  # delays tried at first; chosen: a guess within a fifth
_N_FINE, _REACH = 33, 4.0  # delays about the guess, within so many deviations; chosen
_MIN_DEVIATION = 0.06  # chosen: of a guess, half of what its grid leaves open
_BENDS, _BEND_SPREAD = np.array([0.5, 1.0, 2.0, 4.0]), 0.7  # factors on k, spread of their log
_TAUS = np.geomspace(0.5, 4.0, 10)  # of the header's; chosen: deep refills begin slowly
# Chosen: time after the closing, for later a refill is no exponential, and what it takes of it
_WINDOW_S, _MIN_REFILL_S = 1.5, 0.4
_GUESS_SHORT = 1.25  # chosen: the straight ramp of the first guess ends so much too early
_SPREAD = 0.02  # chosen: of the usual deficit, by which rows' curves differ bin by bin
_PRIOR = 0.25  # 1 / squared prior deviation of s and w: drops are a few times the usual at most
_MAX_DROP = 0.9  # of gauge pressure; chosen: no valve empties a header further
_MAX_GIVEN_BACK = 0.15  # chosen: of the drop that a hanging valve may let recover
# Measured on both simulators: the bend is rounded by the valve's lag, and the peers' closing is
# known to a step of its grid [s]; how outflow bends is known to that share of the delay.
CLOSING_ERROR_S, _HANG_ERROR = 0.025, 0.12


def closing_delay(
    stack: Stack, row: int, noise: float, depth: float, guess_s: float
) -> tuple[float, float] | None:
    """Return how much later than its peers' a row's closing ends, and the error of that [s].

    None where its points fit no delay at all.

    Args:
        row: place in the stack. noise: standard deviation of one of its points [-].
        depth: its drop as a share of the usual. guess_s: a delay that may be too short.
    """
    curve, u = stack.curve, stack.since_s
    until_s = _GUESS_SHORT * guess_s + _WINDOW_S
    used = (stack.count[row] > 0) & (u < curve.close_s + curve.width_s + until_s)
    spread = (_SPREAD * np.maximum(stack.usual[row], 0.0)) ** 2 + stack.systematic[row] ** 2
    spread += np.where(u < curve.close_s + curve.width_s, curve.fall_error**2, 0.0)
    weight = stack.count[row] / (noise**2 + stack.count[row] * spread)
    data = u[used], weight[used], stack.mean[row][used]
    drop, max_s = min(depth * curve.drop, _MAX_DROP), min(until_s - _MIN_REFILL_S, MAX_LATE_S)
    first = np.geomspace(_MIN_S, max_s, _N_FIRST)
    coarse = _moments(first, _log_evidence(first, *data, curve, drop))
    if coarse is None:
        return None
    middle, deviation = coarse
    reach = _REACH * max(deviation, _MIN_DEVIATION * middle)
    fine = np.linspace(max(middle - reach, _MIN_S), min(middle + reach, max_s), _N_FINE)
    found = _moments(fine, _log_evidence(fine, *data, curve, drop))
    if found is None:
        return None
    late_s, deviation = found
    error = np.sqrt(deviation**2 + CLOSING_ERROR_S**2 + (_HANG_ERROR * late_s) ** 2)
    return late_s, float(error)


def _log_evidence(
    late_s: Floats, u: Floats, weight: Floats, y: Floats, curve: PulseCurve, drop: float
) -> Floats:
    """Logarithm of the evidence of each delay, shape (n_late,)."""
    begin, late = curve.close_s, late_s[:, None, None, None]
    bend = _BENDS[:, None, None] * _curvature(late_s, curve, drop)[:, None, None, None]
    tau_s = curve.tau_s * _TAUS[:, None]

    def refilled(at: Floats) -> Floats:
        return np.asarray(np.exp(-np.maximum(at - begin - late, 0.0) / tau_s))

    def held(at: Floats) -> Floats:
        return np.asarray(np.clip(at / begin, 0.0, 1.0) * refilled(at))

    def hung(at: Floats) -> Floats:
        x = np.clip((at - begin) / late, 0.0, 1.0)
        return np.asarray(np.expm1(-bend * x) / np.expm1(-bend)) * refilled(at)

    a, b = (drop * blurred(u, curve.width_s, one) for one in (held, hung))
    aa, ab, bb = ((p * q) @ weight for p, q in ((a, a), (a, b), (b, b)))
    ay, by = a @ (weight * y), b @ (weight * y)
    aa, bb = aa + _PRIOR, bb + _PRIOR
    det = aa * bb - ab**2
    s, w = (bb * ay - ab * by) / det, (aa * by - ab * ay) / det
    evidence = 0.5 * (s * ay + w * by) - 0.5 * np.log(det)
    evidence -= 0.5 * (np.log(_BENDS) / _BEND_SPREAD)[:, None] ** 2
    evidence = np.where(w < -_MAX_GIVEN_BACK * np.abs(s), -np.inf, evidence)
    return np.asarray(np.logaddexp.reduce(evidence.reshape(late_s.size, -1), axis=1))


def _curvature(late_s: Floats, curve: PulseCurve, drop: float) -> Floats:
    """k of each delay: outflow q such that the drop is reached in it, by bisection."""
    begin = min(curve.drop, drop)
    low, high = np.zeros_like(late_s), np.full_like(late_s, 20.0 * curve.drop / curve.close_s)
    for _ in range(40):
        middle = (low + high) / 2.0
        rate = middle + 1.0 / curve.tau_s
        rests = middle / rate
        reached = rests - (rests - begin) * np.exp(-rate * late_s)
        low, high = np.where(reached < drop, middle, low), np.where(reached < drop, high, middle)
    return np.asarray((low + 1.0 / curve.tau_s) * late_s)


def _moments(late_s: Floats, log_evidence: Floats) -> tuple[float, float] | None:
    """Return mean and standard deviation of a delay, None where none has any evidence."""
    if not np.isfinite(log_evidence).any():
        return None
    chance = np.exp(log_evidence - log_evidence.max()) * np.gradient(late_s)
    chance /= chance.sum()
    mean = float(chance @ late_s)
    return mean, float(np.sqrt(chance @ (late_s - mean) ** 2))
