"""By how much the supply's level was misread, from the end of the reference rows' refills.

The level is read from points late in a refill, given what the refill still lacks by then. If that
is taken for too much or too little, all deficits are off by the same amount, and the refill seems
to end above or below the level. So a refill is fitted together with such an offset,

    y = d (1 - b t / tau)^(1/b) + off,    b = 0: exp(-t / tau)

with b from 0 (exponential) to 1/2 (through an orifice): which of them it is, shows in its path.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rowcall.events.stacking.bins import binned
from rowcall.events.stacking.pulse_curve import PulseCurve
from rowcall.events.stacking.reference_rows import reference_rows
from rowcall.events.stacking.types import Overlay, PreviousRound
from rowcall.model import Floats

# B; chosen: from an exponential to an orifice, in steps whose curves differ by less than noise
_BENDS = (0.0, 0.125, 0.25, 0.375, 0.5)  # b; chosen: five from an exponential to an orifice
# Of the fitted exponential's; chosen: a bent refill's differs by less
_TAUS = np.geomspace(0.5, 2.5, 60)
_SETTLED_S = 0.2  # chosen: from the closing on; valves take that long to shut
_MIN_BINS = 12  # bins; chosen: three for each of d, tau, b and off
_MIN_POINTS = 5  # points of a bin; chosen: fewer make a bin of noise
_MAX_ERROR = 0.1  # chosen: of the drop; beyond it is no misread level


def level_corrected(overlay: Overlay, previous: PreviousRound) -> Overlay:
    """Return the points with the level that the reference rows' refills end at."""
    reference = reference_rows(previous.share, previous.curve.drop)
    is_used = reference[overlay.row_of_point] & ~previous.unanswered[overlay.fire]
    if not is_used.any():
        return overlay
    since, bin_of = binned(overlay.since_s[is_used])
    count = np.bincount(bin_of, minlength=since.size).astype(np.float64)
    mean = np.bincount(bin_of, overlay.y[is_used], since.size) / np.maximum(count, 1.0)
    off = level_error(since, count, mean, previous.curve)
    return replace(
        overlay,
        y=overlay.y - off,
        total_deficit=np.clip(overlay.total_deficit - off, -1.0, 1.0),
        before_pa=overlay.before_pa * (1.0 - off),
    )


def level_error(since_s: Floats, count: Floats, mean: Floats, curve: PulseCurve) -> float:
    """Deficit at which refills end; 0 where too little is seen of them.

    Args:
        since_s, count, mean: of each bin, shape (n_bins,): time since fire [s], points, and the
            mean deficit of the reference rows' answers [-].
        curve: the fitted one, for when refills begin and how long they take.
    """
    begin = curve.close_s + curve.width_s + _SETTLED_S
    seen = (since_s > begin) & (count >= _MIN_POINTS)
    if seen.sum() < _MIN_BINS:
        return 0.0
    shapes = _shapes(since_s[seen] - begin, curve.tau_s)
    n, y = count[seen], mean[seen]
    s_n, s_f, s_y = n.sum(), shapes @ n, float(n @ y)
    s_ff, s_fy = (shapes**2) @ n - s_f**2 / s_n, shapes @ (n * y) - s_f * s_y / s_n
    drop = s_fy / np.maximum(s_ff, 1e-12)
    best = int(np.argmax(np.where(drop > 0, s_fy * drop, -np.inf)))
    max_error = _MAX_ERROR * max(curve.drop, 0.0)
    return float(np.clip((s_y - drop[best] * s_f[best]) / s_n, -max_error, max_error))


def _shapes(after_s: Floats, tau_s: float) -> Floats:
    """Refills of unit deficit, shape (n_bends * n_taus, n_bins)."""
    x = after_s[None, :] / (tau_s * _TAUS[:, None])
    bent = [
        np.exp(-x) if bend == 0 else np.maximum(1.0 - bend * x, 0.0) ** (1.0 / bend)
        for bend in _BENDS
    ]
    return np.concatenate(bent)
