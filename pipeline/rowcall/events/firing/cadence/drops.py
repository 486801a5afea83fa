"""Falls of header pressure between two samples, through a matched filter, and the drops in them.

A pulse is a step down within 0.15 s and a first-order way back over seconds. At every pair of
neighbouring samples the fall is estimated by least squares against that shape: the level before is
a mean that forgets within `_LEVEL_S`, and the few samples after it are weighed with a refill of
`_REFILL_S`. Slow wander of the supply cancels. The filter need not match the plant's own refill
constant: a wrong one costs a few percent of signal against noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.events.noise import BEND, HALF, TENTH
from rowcall.model import Floats, Signal

_COARSE_S = 0.4  # chosen: faster samples are averaged to it; a pulse's fall takes 0.1-0.2 s
_LEVEL_S = 2.0  # chosen: about half of the shortest usual rest before the next pulse
_REFILL_S = 2.0  # chosen: a usual refill takes 3-15 s to 95 %, so tau is 1-5 s: common practice
# Samples on either side: those within, and no more than; chosen: a refill's time, and four
# average enough
_SIDE_S, _MAX_SIDE = 3.0, 4
WIDEST = 3.5  # times the sampling period; chosen: across three lost samples a fall is no drop
# Standard deviations; chosen: a day of 86,400 samples then holds three false ones
_MIN_NOISES = 4.0
_AGREE = (0.9, 1.07)  # chosen: sampling error of either estimate over a day is 1-2 %
# Quantile of the falls that stands for drops, and share of it; chosen: half of a usual drop
_TALL, _TALL_SHARE = 0.9, 0.5
_FLOOR = 0.02  # of the header's pressure; chosen: a 15 % drop sampled two time constants late
_MIN_SHARE = 0.3  # of the usual fall; chosen: half of what a weak row (60 %) shows
# Chosen, by trial: samples further apart than 1 s show less of some drops than of others
_FADE_S = 4.0


@dataclass(frozen=True, slots=True)
class Falls:
    """Fall of pressure between neighbouring samples; arrays of shape (n,), in order of time.

    Attributes:
        low_s, high_s: the two samples [s].
        fall_pa: what pressure lost between them, as estimated at `high_s` [Pa].
        noise_pa: standard deviation of `fall_pa` where nothing happens [Pa].
        step_s: sampling period (after averaging) [s].
        reach_s: how far samples after `high_s` are used [s].
        is_rested: most samples lie outside refills, so that `noise_pa` is to be trusted.
        floor_pa: falls below this are none, whatever the noise [Pa].
    """

    low_s: Floats
    high_s: Floats
    fall_pa: Floats
    noise_pa: float
    step_s: float
    floor_pa: float
    reach_s: float
    is_rested: bool


def find_falls(header: Signal) -> Falls:
    """Return the falls of a header; needs eight samples or more."""
    time_s, value = _coarse(header)
    step_s = float(np.median(np.diff(time_s)))
    n_side = int(np.clip(_SIDE_S // step_s, 1, _MAX_SIDE))
    level, level_gain = _level(time_s, value, n_side)
    fall, after_gain, sum_gain = (
        np.zeros(time_s.size - 1),
        np.zeros_like(level),
        np.zeros_like(level),
    )
    after_gain, sum_gain = after_gain[:-1], sum_gain[:-1]
    for k in range(n_side):
        n = time_s.size - 1 - k
        weight = np.exp(-(time_s[1 + k :] - time_s[1 : 1 + n]) / _REFILL_S)
        fall[:n] += weight * (level[:n] - value[1 + k :])
        after_gain[:n] += weight**2
        sum_gain[:n] += weight
    fall /= after_gain
    spread = np.sqrt(level_gain[:-1] * (sum_gain / after_gain) ** 2 + 1 / after_gain)
    width = np.diff(time_s)
    fall[width > WIDEST * step_s] = 0.0
    noise, is_rested = _noise(value)
    return Falls(
        time_s[:-1],
        time_s[1:],
        fall,
        noise * float(np.median(spread)),
        step_s,
        _FLOOR * float(np.median(np.abs(value))),
        (n_side - 1) * step_s,
        is_rested,
    )


def find_peaks(falls: Falls) -> npt.NDArray[np.int64]:
    """Return the indices of the falls that are drops: the greatest of their neighbourhood."""
    side = max(1, round(1.2 / falls.step_s))
    padded = np.pad(falls.fall_pa, side, constant_values=-np.inf)
    near = np.lib.stride_tricks.sliding_window_view(padded, 2 * side + 1).max(axis=1)
    top = np.flatnonzero((falls.fall_pa >= near) & (falls.fall_pa > falls.floor_pa))
    if top.size == 0:
        return top
    min_fall = _MIN_NOISES * falls.noise_pa
    if not falls.is_rested:
        # No quiet sample shows the noise, which looks greater than it is: half of the tallest.
        min_fall = min(min_fall, _TALL_SHARE * float(np.quantile(falls.fall_pa[top], _TALL)))
    top = top[falls.fall_pa[top] > min_fall]
    if top.size == 0:
        return top
    usual = float(np.median(falls.fall_pa[top]))
    share = _MIN_SHARE * np.exp(-max(falls.step_s - 1.0, 0.0) / _FADE_S)
    drops: npt.NDArray[np.int64] = top[falls.fall_pa[top] > share * usual]
    return drops


def _noise(value: Floats) -> tuple[float, bool]:
    """Standard deviation of the noise, and whether the quiet samples outnumber the others.

    From the smaller second differences, so that refills count little. Where their lower tenth and
    their median agree, what lies below the median is noise.
    """
    tenth, half = np.quantile(np.abs(np.diff(value, 2)), (0.1, 0.5)) / BEND
    tenth, half = float(tenth) / TENTH, float(half) / HALF
    return min(tenth, half), _AGREE[0] * tenth < half < _AGREE[1] * tenth


def _coarse(header: Signal) -> tuple[Floats, Floats]:
    """Average fast samples in blocks, so that the fall of one pulse lies between two of them."""
    time_s, value = header.time_s, header.value
    n = int(np.ceil(_COARSE_S / max(float(np.median(np.diff(time_s))), 1e-3) - 1e-9))
    if n <= 1:
        return time_s, value
    block = np.floor(time_s / _COARSE_S).astype(np.int64)
    begin = np.flatnonzero(np.diff(block, prepend=block[0] - 1))
    count = np.diff(np.append(begin, time_s.size))
    return np.add.reduceat(time_s, begin) / count, np.add.reduceat(value, begin) / count


def _level(time_s: Floats, value: Floats, n_side: int) -> tuple[Floats, Floats]:
    """Weighted mean of the samples up to each one, and the noise variance that it keeps."""
    total, weights, squares = value.copy(), np.ones(value.size), np.ones(value.size)
    for k in range(1, n_side):
        weight = np.exp(-(time_s[k:] - time_s[:-k]) / _LEVEL_S)
        total[k:] += weight * value[:-k]
        weights[k:] += weight
        squares[k:] += weight**2
    return total / weights, squares / weights**2


def blind_seconds(falls: Falls, begin_s: Floats, end_s: Floats) -> Floats:
    """Return how long no sample came between two instants each [s]."""
    width = falls.high_s - falls.low_s
    lost = np.concatenate(([0.0], np.cumsum(np.where(width > WIDEST * falls.step_s, width, 0.0))))
    at = [np.searchsorted(falls.low_s, instant) for instant in (begin_s, end_s)]
    return lost[at[1]] - lost[at[0]]
