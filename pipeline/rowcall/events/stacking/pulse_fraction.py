"""What single fires made of the usual drop: a matched filter on the points after each of them.

    share = sum(m y) / sum(m^2),  error = sigma / sqrt(sum(m^2)),  systematic = sum(m o) / sum(m^2)

with m the deficit of the reference rows at the point's time since fire, y the deficit seen, and o
by how much the level of the supply, or what earlier pulses left, may be off.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.condition.quantiles import quantile
from rowcall.events.noise import median_deviation
from rowcall.events.stacking.reference_rows import commonest
from rowcall.events.stacking.types import Stack
from rowcall.model import Floats

Flags = npt.NDArray[np.bool_]

LEVEL_ERROR = 0.04  # chosen: of the drop, by which the level of the supply may be off for a row
DEEP = 0.15  # of the drop; chosen: until two time constants after closing
_MAX_UNANSWERED = 0.35  # chosen: of what most rows reach at best; a fire surely below it made none
_MAX_ERROR = 0.25  # chosen: share errors up to which a fire can be called unanswered


def unanswered_fires(stack: Stack) -> Flags:
    """Tell which fires surely made no drop: they say nothing of how deep an answer goes."""
    usual = stack.usual_at_points
    # Only the deep part of a refill is used: towards its end refills differ from each other.
    deep = usual >= DEEP * stack.curve.drop
    share, noise, systematic = pulse_shares(stack, np.where(deep, usual, 0.0))
    error = np.hypot(noise, systematic)
    is_clear = error < _MAX_ERROR
    tops = [
        quantile(share[is_clear & (stack.line == row)], 0.9)
        for row in np.unique(stack.line[is_clear])
    ]
    top = max(commonest(np.array(tops), stack.curve.drop), _MAX_ERROR) if tops else 1.0
    unanswered: Flags = (share + 2 * error < _MAX_UNANSWERED * top) & is_clear
    return unanswered if not unanswered.all() else np.zeros(share.size, np.bool_)


def pulse_shares(stack: Stack, usual: Floats) -> tuple[Floats, Floats, Floats]:
    """Share of a usual pulse that each fire made, and the error of a share of nothing [-].

    Args:
        usual: deficit of a usual pulse at each point of the overlay, shape (n_points,).

    Returns arrays of shape (n_fires,); the error is infinite where a fire has no points. Last comes
    the systematic error from the level of the supply, alike for all pulses.
    """
    points, n_fires = stack.overlay, stack.line.size
    # Where a fire is known to an interval only, a point within it may lie before or after it.
    usual = np.where(points.since_s < points.width_s, 0.0, usual)
    size = np.bincount(points.fire, usual**2, n_fires)
    has_points = size > 1e-12
    total = np.bincount(points.fire, usual * points.y, n_fires)
    share = np.divide(total, size, out=np.zeros(n_fires), where=has_points)
    # Points late in a refill show the noise; early ones scatter with the pulses themselves.
    late = usual <= np.median(usual)
    over = (points.y - stack.share[points.row_of_point] * usual)[late]
    noise = median_deviation(over)
    error = np.divide(noise, np.sqrt(size), out=np.full(n_fires, np.inf), where=has_points)
    off = np.hypot(LEVEL_ERROR * stack.curve.drop, stack.systematic_at_points)
    total = np.bincount(points.fire, usual * off, n_fires)
    systematic = np.divide(total, size, out=np.full(n_fires, np.inf), where=has_points)
    return share, error, np.abs(systematic)
