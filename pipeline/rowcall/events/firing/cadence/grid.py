"""The grid of beats: for each beat of each bout, whether it was observable and had a drop.

The first look finds drops anywhere; this second one knows where to look, and so decides with less
signal. From the drops found, the usual fall is known as a function of the delay from the beat to
the first sample after it, `A exp(-delay / tau)`. A beat is observable where that is well above the
noise, and it was a drop where at least `SEEN_SHARE` of it is there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.cadence.beat import Bouts
from rowcall.events.firing.cadence.drops import WIDEST, Falls
from rowcall.events.noise import HALF
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SEEN_SHARE = 0.4  # of the usual fall; chosen: between a weak row (60 %) and a silent one (0 %)
# Standard deviations that a usual fall must stand above; chosen: one false beat in 4,000
_MIN_NOISES = 3.5
_MIN_QUIET = 50  # chosen: fewer falls do not settle the noise
# Drops on either side that show how much of the usual fall is seen here; chosen: the supply
# wanders in minutes
_NEAR = 6
# Standard deviations before a bout is made longer by a beat; chosen: one false in 400
_MIN_EDGE_NOISES = 2.8
_ENDS = 2  # beats looked for on either end of a bout; chosen: a silent row and the one before it
MIN_DROPS = 3  # drops that make a bout; chosen: fewer may be chance
_MIN_SEEN = 0.3  # share of a bout's beats with a drop; chosen: two rows of three may be silent
_TAU_S = (1.0, 15.0)  # bounds of the recovery constant; usual ones are 1-5 s: common practice
_MIN_EXPECTED_PA = 1e-6  # chosen: against division by zero; far below any noise


@dataclass(frozen=True, slots=True)
class Grid:
    """Every beat of the day in order of time; arrays of shape (n_beats,).

    Attributes:
        time_s: instant of the beat [s].
        low_s, high_s: the fire lies between; the samples around the drop where one was seen [s].
        bout: number of the bout, from 0, rising.
        index: beat within the bout, from 0.
        observable: samples came in time to show a drop.
        seen: a drop was there.
        share: fall as a share of the usual one; nan where not observable.
        interval_s: interval here [s].
    """

    time_s: Floats
    low_s: Floats
    high_s: Floats
    bout: Ints
    index: Ints
    observable: Bools
    seen: Bools
    share: Floats
    interval_s: Floats

    def pick(self, keep: Bools) -> Grid:
        """Return the beats where `keep` is True, bouts and beats in them counted anew."""
        _, bout = np.unique(self.bout[keep], return_inverse=True)
        index = self.index[keep]
        index = index - index[np.searchsorted(bout, bout)]
        return Grid(
            self.time_s[keep],
            self.low_s[keep],
            self.high_s[keep],
            bout.astype(np.int64),
            index,
            self.observable[keep],
            self.seen[keep],
            self.share[keep],
            self.interval_s[keep],
        )


def beat_grid(falls: Falls, bouts: Bouts) -> Grid:
    """Return every beat of the bouts, judged by a second look at the falls."""
    time_s, bout, index, interval_s = _beats(bouts)
    if time_s.size == 0:
        none = np.zeros(0, np.bool_)
        return Grid(time_s, time_s, time_s, bout, index, none, none, time_s, interval_s)
    usual, tau_s = _usual_fall(falls, bouts)
    noise_pa = falls.noise_pa
    half_s = 0.5 * falls.step_s + 0.04 * interval_s
    fall, at = _greatest_near(falls, time_s, half_s)
    expected = usual * np.exp(-np.maximum(falls.high_s[at] - time_s, 0.0) / tau_s)
    covers = np.minimum(np.searchsorted(falls.high_s, time_s), falls.high_s.size - 1)
    expected_next = usual * np.exp(-np.maximum(falls.high_s[covers] - time_s, 0.0) / tau_s)
    # Of a beat long before the samples after it nothing is left to expect.
    expected = np.maximum(expected, _MIN_EXPECTED_PA)
    near = _level_of(fall / expected)
    expected, expected_next = expected * near, expected_next * near
    observable = expected_next >= max(_MIN_NOISES * noise_pa, falls.floor_pa)
    observable &= falls.high_s[covers] - falls.low_s[covers] <= WIDEST * falls.step_s
    observable &= (time_s > falls.low_s[0]) & (time_s <= falls.high_s[-1])
    share = fall / expected
    seen = (share >= SEEN_SHARE) & (fall > 2 * noise_pa)
    observable |= seen & (fall > _MIN_NOISES * noise_pa)
    seen &= observable
    share = np.where(observable, share, np.nan)
    low_s = np.where(seen, falls.low_s[at], time_s - half_s)
    high_s = np.where(seen, falls.high_s[at], time_s + half_s)
    grid = Grid(time_s, low_s, high_s, bout, index, observable, seen, share, interval_s)
    return _trimmed(grid, fall > _MIN_EDGE_NOISES * noise_pa)


def on_beat(falls: Falls, drops: Ints, *grids: Grid) -> float:
    """Return the share of the drops that lie on a beat of one of the grids."""
    middle = (falls.low_s + falls.high_s)[drops] / 2
    near = np.zeros(drops.size, np.bool_)
    for grid in grids:
        k = np.clip(np.searchsorted(grid.time_s, middle), 1, grid.time_s.size - 1)
        apart = np.minimum(np.abs(middle - grid.time_s[k - 1]), np.abs(grid.time_s[k] - middle))
        near |= apart <= falls.step_s + 0.06 * grid.interval_s[k]
    return float(np.mean(near))


def with_measured_noise(falls: Falls, bouts: Bouts) -> Falls:
    """Return the falls with their noise measured in the second half of the intervals.

    A train without rest leaves no quiet sample for the first estimate; here the refill is over.
    """
    time_s, interval_s = bouts.time_s, bouts.interval_s
    last = np.searchsorted(time_s, falls.low_s, "right") - 1
    since = falls.low_s - time_s[last]
    left = interval_s[last] - since - (falls.high_s - falls.low_s) - falls.reach_s
    quiet = falls.fall_pa[(last >= 0) & (since > 0.4 * interval_s[last]) & (left > 0)]
    if quiet.size < _MIN_QUIET:
        return falls
    spread = float(np.median(np.abs(quiet - np.median(quiet)))) / HALF
    return replace(falls, noise_pa=min(falls.noise_pa, spread), is_rested=True)


def _level_of(share: Floats) -> Floats:
    """Median of what the drops around each beat show of the usual fall.

    It follows the supply, and a sampling clock in step with the beat, which hides the delay.
    """
    drops = np.flatnonzero(share >= SEEN_SHARE / 2)
    if drops.size < 2 * _NEAR + 1:
        return np.full(share.size, float(np.median(share[drops])) if drops.size else 1.0)
    view = np.lib.stride_tricks.sliding_window_view(share[drops], 2 * _NEAR + 1)
    middle = np.pad(np.partition(view, _NEAR, axis=1)[:, _NEAR], _NEAR, mode="edge")
    return np.interp(np.arange(share.size), drops, middle)


def _beats(bouts: Bouts) -> tuple[Floats, Ints, Ints, Floats]:
    """Beats of every bout that has enough drops, and a few more at its ends."""
    first = np.flatnonzero(np.diff(bouts.bout, prepend=-1))
    last = np.append(first[1:], bouts.bout.size) - 1
    count = last - first + 1
    length = bouts.index[last] + 1
    keep = (count >= MIN_DROPS) & (count >= _MIN_SEEN * length)
    if not keep.any():
        return np.empty(0), np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)
    first, last, length = first[keep], last[keep], length[keep]
    total = length + 2 * _ENDS
    begin = np.concatenate(([0], np.cumsum(total)[:-1]))
    bout = np.repeat(np.arange(first.size), total)
    index = np.arange(int(total.sum())) - begin[bout] - _ENDS
    # One axis for all bouts: the beats of each lie apart from those of the next.
    origin = np.full(int(bouts.bout[-1]) + 1, -1)
    origin[bouts.bout[first]] = begin + _ENDS
    place = origin[bouts.bout] + bouts.index
    known = origin[bouts.bout] >= 0
    axis = begin[bout] + _ENDS + index
    time_s = np.interp(axis, place[known], bouts.time_s[known])
    interval_s = np.interp(axis, place[known], bouts.interval_s[known])
    before, after = np.minimum(index, 0), np.maximum(index - length[bout] + 1, 0)
    ends = np.where(index < 0, bouts.time_s[first][bout], bouts.time_s[last][bout])
    outside = (before < 0) | (after > 0)
    interval_s = np.where(before < 0, bouts.interval_s[first][bout], interval_s)
    interval_s = np.where(after > 0, bouts.interval_s[last][bout], interval_s)
    time_s = np.where(outside, ends + (before + after) * interval_s, time_s)
    return time_s, bout, index, interval_s


def _usual_fall(falls: Falls, bouts: Bouts) -> tuple[float, float]:
    """Fall at the beat itself [Pa] and its recovery constant [s], from the drops found."""
    delay = np.maximum(falls.high_s[bouts.drop] - bouts.time_s, 0.0)
    height = np.log(falls.fall_pa[bouts.drop])
    spread = delay - delay.mean()
    power = float(spread @ spread)
    slope = float(spread @ height) / power if power > 1e-3 * delay.size else 0.0
    tau_s = float(np.clip(-1 / slope if slope < 0 else np.inf, *_TAU_S))
    return float(np.exp(np.median(height + delay / tau_s))), tau_s


def _greatest_near(falls: Falls, time_s: Floats, half_s: Floats) -> tuple[Floats, Ints]:
    """Greatest fall within `half_s` of each beat [Pa], and its index."""
    begin = np.searchsorted(falls.high_s, time_s - half_s, "right")
    end = np.searchsorted(falls.low_s, time_s + half_s, "left")
    width = max(1, min(int((end - begin).max()), 64))
    column = begin[:, None] + np.arange(width)[None, :]
    inside = column < np.maximum(end, begin + 1)[:, None]
    inside &= column < falls.fall_pa.size
    column = np.minimum(column, falls.fall_pa.size - 1)
    values = np.where(inside, falls.fall_pa[column], -np.inf)
    best = np.argmax(values, axis=1)
    line = np.arange(time_s.size)
    return np.maximum(values[line, best], 0.0), column[line, best]


def _trimmed(grid: Grid, sure: Bools) -> Grid:
    """Leave out beats at the ends of a bout that have no sure drop."""
    inner = np.zeros(grid.time_s.size, np.bool_)
    inner[np.flatnonzero(grid.seen & sure)] = True
    marks = np.flatnonzero(inner)
    if marks.size == 0:
        return grid.pick(inner)
    n_bouts = int(grid.bout[-1]) + 1
    low = np.full(n_bouts, grid.time_s.size)
    high = np.full(n_bouts, -1)
    np.minimum.at(low, grid.bout[marks], marks)
    np.maximum.at(high, grid.bout[marks], marks)
    at = np.arange(grid.time_s.size)
    return grid.pick((at >= low[grid.bout]) & (at <= high[grid.bout]))
