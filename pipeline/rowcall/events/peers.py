"""What is usual among the rows of a header, and how well that is known."""

from __future__ import annotations

import numpy as np

from rowcall.events.stack import Stack
from rowcall.model import Floats

_NEAR_63 = (0.25, 0.55)  # chosen: shares of the drop about 1/e from which the time is read
_EARLY = 0.35  # chosen: of the fitted time constant, in which a refill begins
_SETTLED_S = 0.2  # chosen: from the lowest pressure on; valves take that long to close
_FEWEST_BINS = 3
_FEWEST_NEAR = 20  # chosen: points a bin
_CURVE_ERROR = 0.08  # chosen: relative error of the fitted curve where nothing else is known
_BY_BUILD = 0.05  # chosen: spread of rows where too few show theirs


def peers_differ(stack: Stack) -> Floats:
    """Relative error of what is usual: sound rows differ by build, and there are few of them."""
    spread = float(np.std(stack.share[stack.sound], ddof=1)) if stack.sound.sum() > 2 else _BY_BUILD
    others = np.maximum(stack.sound.sum() - stack.sound, 1)
    return np.asarray(spread / np.sqrt(others))


def time_constant(stack: Stack) -> float:
    """Time in which a sound row's drop is made good to 63 % [s]: the recovery constant.

    Read from the sound rows' own stack, for refills are not quite exponential; where that has too
    few points there, or the fires' instants are uncertain, the fitted curve's.
    """
    n, mean = stack.pooled
    known = n >= _FEWEST_NEAR
    if stack.curve.width_s > 0 or not known.any():
        return stack.curve.tau_s
    lowest_s = float(stack.since_s[known][mean[known].argmax()])
    after = stack.since_s - lowest_s
    # An exponential through all of a refill that begins slowly would begin too high.
    early = known & (after > _SETTLED_S) & (after < _SETTLED_S + _EARLY * stack.curve.tau_s)
    early &= mean > 0
    if early.sum() < _FEWEST_BINS or lowest_s > stack.curve.close_s + _SETTLED_S:
        top, lowest_s = stack.curve.drop, stack.curve.close_s
        after = stack.since_s - lowest_s
    else:
        top = float(np.exp(_line(after[early], mean[early], n[early])[1]))
    near = known & (mean > _NEAR_63[0] * top) & (mean < _NEAR_63[1] * top) & (after > 0)
    if near.sum() < _FEWEST_BINS:
        return stack.curve.tau_s
    slope, offset = _line(after[near], mean[near] / top, n[near])
    return (-1.0 - offset) / slope


def _line(after_s: Floats, deficit: Floats, n: Floats) -> tuple[float, float]:
    """Slope and offset of the logarithm of deficits."""
    slope, offset = np.polyfit(after_s, np.log(deficit), 1, w=np.sqrt(n))
    return float(slope), float(offset)


def borrowed(stack: Stack) -> Floats:
    """Relative error of each row's drop from resting on the fitted curve alone."""
    size = stack.count * stack.usual**2
    total = size.sum(axis=1)
    share = np.divide(
        (size * stack.belief).sum(axis=1), total, out=np.ones(total.size), where=total > 0
    )
    error: Floats = _CURVE_ERROR * share
    return error
