"""Whether a tag stood still: its runs of one value, and how fine its own noise is."""

from __future__ import annotations

import numpy as np

from rowcall.condition.flat_runs import FlatRuns
from rowcall.condition.state import Mask
from rowcall.events.noise import noise_of
from rowcall.model import Floats, Signal

_MIN_POINTS = 500  # chosen: fewer show no habit of a tag
_FEW = 5000  # chosen: so many points of a day show its levels
_MIN_TIED = 0.1  # [-] chosen: a change of flow or fan by so much moves DP or flow past any digit
_MIN_TIED_K = 5.0  # chosen: the same of the other temperature, which casing and bags damp


def resolution(value: Floats) -> float:
    """Return the smallest difference between the values of a tag [its unit], nan of one value."""
    levels = np.unique(value[:: max(1, value.size // _FEW)])
    steps = np.diff(levels)
    real = steps[steps > 1e-9 * max(float(np.abs(levels).max()), 1e-9)] if steps.size else steps
    return float(real.min()) if real.size else float("nan")


def noise_steps(signal: Signal) -> float:
    """Return the noise of a tag over its resolution, nan of a tag that shows neither."""
    if signal.value.size < _MIN_POINTS:
        return float("nan")
    return noise_of(signal) / resolution(signal.value)


def longest_flat(runs: FlatRuns, is_alive: Mask) -> float:
    """Return the longest run in minutes of which the tag should have been alive [s].

    is_alive: by minute; only what a run has of such minutes counts.
    """
    return max((60.0 * is_alive[part].sum() for part in _minutes(runs, is_alive)), default=0.0)


def longest_tied(runs: FlatRuns, is_alive: Mask, tied: Floats, *, is_temperature: bool) -> float:
    """Return the longest such run while the tag that it is tied to moved [s].

    tied: by minute, nan where it is not known; it moves by more than what the longest time
        constant of a casing or a digit of a coarse tag could hide.
    """
    longest = 0.0
    for part in _minutes(runs, is_alive):
        there = tied[part][is_alive[part] & np.isfinite(tied[part])]
        if there.size < 10:
            continue
        low, middle, high = np.quantile(there, (0.05, 0.5, 0.95))
        limit = _MIN_TIED_K if is_temperature else 2 * _MIN_TIED * abs(middle)
        if high - low > limit > 0:
            longest = max(longest, 60.0 * float(is_alive[part].sum()))
    return longest


def longest_pulsed(runs: FlatRuns, is_alive: Mask, pulse_s: Floats, min_pulses: int) -> float:
    """Return the longest run of a header within which its rows were pulsed [s]."""
    longest = 0.0
    for begin, end, part in zip(runs.begin_s, runs.end_s, _minutes(runs, is_alive), strict=True):
        low, high = np.searchsorted(pulse_s, (begin, end))
        if high - low >= min_pulses:
            longest = max(longest, 60.0 * float(is_alive[part].sum()))
    return longest


def _minutes(runs: FlatRuns, is_alive: Mask) -> list[slice]:
    """Return the whole minutes of each run."""
    first = np.clip(np.ceil(runs.begin_s / 60.0), 0, is_alive.size).astype(int)
    last = np.clip(np.floor(runs.end_s / 60.0), 0, is_alive.size).astype(int)
    return [slice(a, max(a, b)) for a, b in zip(first.tolist(), last.tolist(), strict=True)]
