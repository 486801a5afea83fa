"""What is usual among the rows of a header, and how well that is known."""

from __future__ import annotations

import numpy as np

from rowcall.events.stack import Stack
from rowcall.model import Floats

_NEAR_63 = (0.25, 0.55)  # chosen: shares of the drop about 1/e from which the time is read
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
    share = mean / stack.curve.drop
    near = (n >= _FEWEST_NEAR) & (share > _NEAR_63[0]) & (share < _NEAR_63[1])
    near &= stack.since_s > stack.curve.close_s
    if stack.curve.width_s > 0 or near.sum() < 3:
        return stack.curve.tau_s
    slope, offset = np.polyfit(stack.since_s[near], np.log(share[near]), 1, w=np.sqrt(n[near]))
    return float((-1.0 - offset) / slope) - stack.curve.close_s


def borrowed(stack: Stack) -> Floats:
    """Relative error of each row's drop from resting on the fitted curve alone."""
    size = stack.count * stack.usual**2
    total = size.sum(axis=1)
    share = np.divide(
        (size * stack.belief).sum(axis=1), total, out=np.ones(total.size), where=total > 0
    )
    error: Floats = _CURVE_ERROR * share
    return error
