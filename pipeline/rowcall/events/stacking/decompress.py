"""The scans that a compressing historian left out of a header's pressure, put back.

Left out is what was not new: between two points the pressure stayed within the dead-band of
the last one kept (kept by exception), or of the straight line between them (kept by slope). Without
that, a fire that changed nothing would leave no point at all, and not be seen. What is put back
may be off by the dead-band, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rowcall.condition.reconstruct import compressed_at, held_at
from rowcall.condition.sampling import LONGEST_BRIDGE_S
from rowcall.model import Floats, Signal

Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

_SHORT_GAPS = 0.05  # chosen: the share of gaps from which the period of the scans is read
# Chosen: scans further apart show no pulse, closer ones no more of it
_MIN_STEP_S, _MAX_STEP_S = 0.2, 5.0
_LARGE_FALL = 0.5  # chosen: of the largest falls; such a one is a pulse
# Chosen: share of pulses after a longer gap, from which they were kept by exception
_MIN_AFTER_GAP = 0.3
# Shares of changes; chosen, by trial: kept by exception the least is 0.55-1 of the small, by slope
# 0-0.33 of it
_LEAST_CHANGES, _MIN_FLOOR = (0.001, 0.02), 0.45
_MANY_CHANGES = 3000  # chosen: three below the least
_MANY_KEPT = 0.7  # chosen: share of changes from scan to scan; of fewer, pulses come after a gap
# Chosen, by trial: the shares of changes, and of distances from the line between their neighbours,
# of the points kept, below which hardly any lies but by force: the dead-band.
_BAND_OF_CHANGES, _BAND_OF_BENDS = 0.05, 0.15
_CURVE_FALL = 0.2  # chosen: of the largest falls; such a one begins a new curve
# Chosen, by trial: of the way from the straight line to the smooth curve. A point is kept where the
# noise leaves the corridor, so points lie a little beyond the curve that they stand for.
_BEND_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Filled:
    """A pressure with its scans, and by how much each value may be off, shape (n,) [Pa].

    is_held: scans that were put back repeat the value before.
    """

    signal: Signal
    error_pa: Floats
    is_held: bool = False


def filled_in(header: Signal) -> Filled:
    """Return a thinned header pressure with its scans put back, any other as it is."""
    if header.bridge_s <= LONGEST_BRIDGE_S or header.time_s.size < 3:
        return Filled(header, np.zeros(header.time_s.size))
    gap, change = np.diff(header.time_s), np.diff(header.value)
    step = float(np.clip(np.quantile(gap, _SHORT_GAPS), _MIN_STEP_S, _MAX_STEP_S))
    after, share = _left_out(gap, step)
    at_s = header.time_s[after] + share * gap[after]
    largest = float(np.quantile(change, 0.01))
    is_held = _is_by_exception(change, gap > 1.5 * step, largest)
    if is_held:
        value = held_at(header.time_s, header.value, at_s, longest_s=LONGEST_BRIDGE_S)
        error = np.full(at_s.size, float(np.quantile(np.abs(change), _BAND_OF_CHANGES)))
    else:
        line = compressed_at(header.time_s, header.value, at_s, dead_band=_band_of_bends(header))
        bend = _bend(gap, change, change <= _CURVE_FALL * largest, after, share)
        value, error = line.value + _BEND_SHARE * bend, line.error
    order = np.argsort(np.concatenate((header.time_s, at_s)), kind="stable")

    def joined(kept: Floats, put_back: Floats) -> Floats:
        return np.asarray(np.concatenate((kept, put_back))[order])

    signal = replace(header, time_s=joined(header.time_s, at_s), value=joined(header.value, value))
    return Filled(signal, joined(np.zeros(header.time_s.size), error), is_held)


def _is_by_exception(change: Floats, is_gap: Flags, largest: float) -> bool:
    """Tell whether each point kept lies off the one before, and not off a line.

    By pulses after a gap; where hardly a scan is left out, by the least changes from scan to scan.
    """
    is_large = change <= _LARGE_FALL * largest  # none, where the pressure only rises
    if np.sum(is_large & is_gap) > _MIN_AFTER_GAP * np.sum(is_large):
        return True
    scanned = np.abs(change[~is_gap])
    if scanned.size < max(_MANY_CHANGES, _MANY_KEPT * change.size):
        return False
    least, small = np.quantile(scanned, _LEAST_CHANGES)
    return bool(least > _MIN_FLOOR * small)


def _left_out(gap: Floats, step: float) -> tuple[Ints, Floats]:
    """After which point each scan was left out, and at what share of the gap."""
    missing = np.where(gap <= LONGEST_BRIDGE_S, np.round(gap / step) - 1, 0).astype(np.int64)
    missing = np.maximum(missing, 0)
    after = np.repeat(np.arange(gap.size), missing)
    nth = np.arange(after.size) - np.repeat(np.cumsum(missing) - missing, missing) + 1
    return after, nth / (missing[after] + 1)


def _band_of_bends(header: Signal) -> float:
    """Dead-band of points kept by slope [Pa]: each lies about so far off its neighbours' line."""
    time_s, value = header.time_s, header.value
    share = (time_s[1:-1] - time_s[:-2]) / (time_s[2:] - time_s[:-2])
    off = np.abs(value[1:-1] - value[:-2] - (value[2:] - value[:-2]) * share)
    return float(np.quantile(off, _BAND_OF_BENDS))


def _bend(gap: Floats, change: Floats, falls: Flags, after: Ints, share: Floats) -> Floats:
    """How far a smooth curve through the points lies off the straight line, in cubic pieces [Pa].

    A refill bends, so it lies on one side of all straight lines between its points. Slopes are
    parabolic, one-sided where a fall lies on the other side, and kept from overshooting.
    """
    slope = change / gap
    begin, end = _one_sided(gap, slope), _one_sided(gap[::-1], slope[::-1])[::-1]
    inner = (gap[:-1] * slope[1:] + gap[1:] * slope[:-1]) / (gap[:-1] + gap[1:])
    inner = np.where(slope[:-1] * slope[1:] > 0, inner, 0.0)
    begin[1:], end[:-1] = (
        np.where(falls[:-1], begin[1:], inner),
        np.where(falls[1:], end[:-1], inner),
    )
    rise, begin, end = slope[after], _limited(begin, slope)[after], _limited(end, slope)[after]
    off = gap[after] * share * (1 - share) * ((1 - share) * (begin - rise) - share * (end - rise))
    return np.where(falls[after], 0.0, off)


def _one_sided(gap: Floats, slope: Floats) -> Floats:
    """Slope at the begin of each piece, from it and the next."""
    bent = slope.copy()
    bent[:-1] += (slope[:-1] - slope[1:]) * gap[:-1] / (gap[:-1] + gap[1:])
    return bent


def _limited(own: Floats, slope: Floats) -> Floats:
    """No steeper than thrice the piece, and not against it (Fritsch and Carlson 1980)."""
    steep = np.sign(slope) * np.minimum(np.abs(own), 3.0 * np.abs(slope))
    return np.where(own * slope > 0, steep, 0.0)
