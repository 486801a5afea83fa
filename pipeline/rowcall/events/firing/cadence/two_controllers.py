"""Two controllers on one header, each with a cadence of its own, or one that limps.

Drops are strung on chains: each link is the drop nearest to one interval (or two, past a silent
row) after the last, and the phase of the chain follows its drops by halves. An interval is one at
which many drops lie on long chains. Where nearly all do, and still no single train explains them,
two trains share the interval with uneven spacing between them: chains whose drops are soon
followed by another's are the first train. Else the chains are one train and the drops left over
the other.

Where a beat of one train falls on a drop of the other, it is not observable.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.cadence.beat import common_interval, find_bouts
from rowcall.events.firing.cadence.drops import Falls, find_peaks
from rowcall.events.firing.cadence.grid import Grid, beat_grid
from rowcall.events.firing.cadence.missing_beats import without_rests
from rowcall.model import Floats

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# Neighbours whose distances are looked at; chosen: two trains mix two or three drops a beat
_LAGS = 6
# Distances that are tried; chosen: both intervals, their multiples and chance ones
_CANDIDATES = 12
_MAX_INTERVAL_S = 120.0  # chosen: rows further apart are cleaned by one controller
_MIN_LINKS = 8  # drops that make a chain; chosen: a chance link comes off in one case of four
# Share of the drops on chains: both trains, and one at the least; chosen: a tenth may be noise
_MIN_BOTH, _MIN_ONE = 0.85, 0.25
_AS_GOOD = 0.9  # of the best share; chosen: twice an interval does as well as the interval itself


def find_two_grids(falls: Falls, rows: Sequence[int]) -> tuple[Grid, Grid] | None:
    """Return the beats of two trains of `rows` rows each, or None where there are no two."""
    drops = find_peaks(falls)
    time_s = (falls.low_s + falls.high_s)[drops] / 2
    best = _best_interval(time_s, falls.step_s)
    if best is None:
        return None
    interval_s, chain = best
    is_long = chain >= 0
    if np.mean(is_long) >= _MIN_BOTH:
        is_first, other_s = _leads(time_s, chain, interval_s), interval_s
        parts = (drops[is_long & is_first], drops[is_long & ~is_first])
    else:
        parts = (drops[is_long], drops[~is_long])
        rest = common_interval(time_s[~is_long], falls.step_s)
        if rest is None:
            return None
        other_s = rest
    if min(part.size for part in parts) < _MIN_ONE * drops.size:
        return None
    one, two = (
        without_rests(beat_grid(falls, find_bouts(falls, part, every_s, n)), n)
        for part, every_s, n in zip(parts, (interval_s, other_s), rows, strict=True)
    )
    if min(one.time_s.size, two.time_s.size) == 0:
        return None
    return _apart(falls, one, parts), _apart(falls, two, parts[::-1])


def _best_interval(time_s: Floats, step_s: float) -> tuple[float, Ints] | None:
    """Return the shortest interval with about the most drops on long chains, and the chains."""
    tried = []
    for interval_s in _distances(time_s, step_s):
        chain = _chains(time_s, interval_s, step_s)
        tried.append((interval_s, float(np.mean(chain >= 0)), chain))
    max_share = max((share for _, share, _ in tried), default=0.0)
    if max_share < _MIN_ONE:
        return None
    interval_s, _, chain = min(
        (one for one in tried if one[1] >= _AS_GOOD * max_share), key=lambda one: one[0]
    )
    return interval_s, chain


def _distances(time_s: Floats, step_s: float) -> list[float]:
    """Return the commonest distances between drops a few places apart [s]."""
    apart = np.concatenate([time_s[lag:] - time_s[:-lag] for lag in range(1, _LAGS + 1)])
    apart = apart[(apart > 2 * step_s) & (apart < _MAX_INTERVAL_S)]
    if apart.size == 0:
        return []
    width = step_s / 2
    count = np.bincount((apart / width).astype(np.int64), minlength=8)
    smooth = np.convolve(count, np.ones(5), mode="same")
    out: list[float] = []
    for place in np.argsort(smooth)[::-1]:
        around = (place + 0.5) * width
        near = apart[np.abs(apart - around) <= 1.5 * step_s]
        if near.size and all(abs(around - other) > 2 * step_s for other in out):
            out.append(float(near.mean()))
        if len(out) == _CANDIDATES:
            break
    return out


def _chains(time_s: Floats, interval_s: float, step_s: float) -> Ints:
    """Return the chain of each drop, -1 where it lies on none that is long."""
    times = time_s.tolist()
    reach = 0.6 * step_s + 0.02 * interval_s
    chain, phase = list(range(len(times))), list(times)
    taken = [False] * len(times)
    for steps in (1, 2):
        ahead = np.searchsorted(time_s, time_s + steps * interval_s - 2 * reach).tolist()
        for n in range(len(times)):
            if taken[n]:
                continue
            due = phase[n] + steps * interval_s
            best = _nearest(times, ahead[n], due, reach)
            if best is not None and chain[best] == best:
                chain[best], taken[n] = chain[n], True
                phase[best] = (times[best] + due) / 2
        chain = _roots(chain)
    number = np.array(chain)
    count = np.bincount(number, minlength=number.size)
    return np.where(count[number] >= _MIN_LINKS, number, -1)


def _nearest(times: list[float], start: int, due: float, reach: float) -> int | None:
    best, off = None, reach
    for k in range(start, min(start + 8, len(times))):
        if times[k] > due + reach:
            break
        if abs(times[k] - due) <= off:
            best, off = k, abs(times[k] - due)
    return best


def _roots(chain: list[int]) -> list[int]:
    """Return the first drop of each chain for each of its drops; earlier drops come first."""
    for n, first in enumerate(chain):
        chain[n] = chain[first]
    return chain


def _leads(time_s: Floats, chain: Ints, interval_s: float) -> Bools:
    """Tell which drops lie on chains that are soon followed by a drop of the other train."""
    following = np.append(np.diff(time_s), np.inf)
    soon = following < interval_s / 2
    _, at = np.unique(chain, return_inverse=True)
    share = np.bincount(at, soon) / np.bincount(at)
    leads: Bools = share[at] > 0.5
    return leads


def _apart(falls: Falls, grid: Grid, parts: tuple[Ints, Ints]) -> Grid:
    """Return the grid with beats unobservable that fall on a drop of the other train alone."""
    middle = (falls.low_s + falls.high_s) / 2
    reach = falls.step_s + 0.04 * grid.interval_s
    own, other = (_distance(middle[part], grid.time_s) <= reach for part in parts)
    clear = ~other | own
    return replace(
        grid,
        observable=grid.observable & clear,
        seen=grid.seen & clear,
        share=np.where(clear, grid.share, np.nan),
    )


def _distance(time_s: Floats, at_s: Floats) -> Floats:
    """Distance of each instant from the nearest of `time_s` [s]."""
    k = np.clip(np.searchsorted(time_s, at_s), 1, time_s.size - 1)
    return np.minimum(np.abs(at_s - time_s[k - 1]), np.abs(time_s[k] - at_s))
