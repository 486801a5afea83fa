"""Whether a tag is recorded as the site file says.

Recording by change leaves out what is not new, so it leaves hardly any small change between points;
recording at intervals leaves an even pace, whatever the value does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rowcall.condition.quantiles import median
from rowcall.model import Floats
from rowcall.site import Sample

_EVEN_SHARE = 0.9  # chosen: of the times between points are the usual one; some points get lost
_EVEN = 0.05  # chosen: of the usual time, to which such times agree
_MIN_POINTS, _MIN_CHANGES = 100, 20  # chosen: fewer show no habit
# Chosen: a twentieth of normal noise lies below 0.09 of its median size, of what a dead-band lets
# through hardly any lies below half of it
_FEW, _SMALL = 0.05, 0.2
_UNEVEN = 3.0  # chosen: between long and short times; more than lost or late points make

_SEEN = {
    Sample.AT_INTERVALS: "points come at an even pace, whether the value changes or not",
    Sample.ON_CHANGE: "points come only when the value changes",
    Sample.THINNED: "points near the straight line between others were left out",
}


def sample_kind(spaces: npt.NDArray[np.int64], step_us: float, value: Floats) -> Sample:
    """Return how a tag is recorded: even spacing, else few whole numbers, else thinned."""
    if len(spaces) > 1 and np.mean(_is_even(spaces, step_us)) >= _EVEN_SHARE:
        return Sample.AT_INTERVALS
    if np.all(value == np.round(value)) and len(np.unique(value)) <= 100:
        return Sample.ON_CHANGE
    return Sample.THINNED


def declared_otherwise(stated: Sample, time_us: npt.NDArray[np.int64], value: Floats) -> str:
    """Say how a tag is recorded where that is plainly not as stated, else ''.

    Args:
        time_us, value: points of a day in order of time, shape (n,), finite.
    """
    spaces, changes = np.diff(time_us), np.diff(value)
    moved = changes != 0.0
    if spaces.size < _MIN_POINTS or moved.sum() < _MIN_CHANGES:
        return ""
    step_us = median(spaces)
    kind = sample_kind(spaces, step_us, value)
    even = Sample.AT_INTERVALS
    if (kind is even) == (stated is even):
        return ""
    is_by_change = not (_has_small(changes) and _has_small(_bends(time_us, value)))
    if kind is even:
        # What is recorded on change too, beside points at intervals, keeps another pace.
        doubt = is_by_change or np.mean(_is_even(spaces[moved], step_us)) < _EVEN_SHARE
    else:
        short, long = np.quantile(spaces, (0.1, 0.9))
        doubt = not is_by_change or long < _UNEVEN * short
    return "" if doubt else f'{_SEEN[kind]}: write sample = "{kind.value}" in the site file'


def _is_even(spaces: npt.NDArray[np.int64], step_us: float) -> npt.NDArray[np.bool_]:
    return np.asarray(np.abs(spaces - step_us) <= _EVEN * step_us)


def _has_small(changes: Floats) -> bool:
    """Return whether changes are as often small as those of a signal read whatever it does."""
    size = np.abs(changes)
    return bool(np.quantile(size, _FEW) <= _SMALL * np.median(size))


def _bends(time_us: npt.NDArray[np.int64], value: Floats) -> Floats:
    """How far each point lies off the straight line between its neighbours."""
    share = (time_us[1:-1] - time_us[:-2]) / (time_us[2:] - time_us[:-2])
    return np.asarray(value[1:-1] - value[:-2] - (value[2:] - value[:-2]) * share)
