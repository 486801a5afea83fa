"""Instants of fires that a scan gives to an interval only, by the even cadence they keep.

A counter or a latched bit scanned once a second places each fire to a second. One controller fires
the rows of a compartment at an even interval, so that the scans around give each instant far below
that, as drops of header pressure do where there is neither (`cadence.instants`).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rowcall.events.firing.cadence.instants import sharpen
from rowcall.events.firing.recorded import Fires
from rowcall.model import Floats

_MIN_FIRES = 20  # fires; chosen: fewer do not settle an interval
_SIDE = 7  # chosen: intervals on either side that give the one here
_PHASE_FRAC = 0.04  # of the interval: a controller's own unevenness from beat to beat; chosen
_MAX_STEPS = 4  # chosen: intervals without a fire, as of a row passed over, within one bout


def evenly_timed(fires: Fires) -> Fires:
    """Return the fires with bounds as narrow as the cadence of their compartment makes them."""
    low, high = fires.low_s.copy(), fires.high_s.copy()
    for compartment in np.unique(fires.compartment):
        mine = np.flatnonzero((fires.compartment == compartment) & (fires.low_s < fires.high_s))
        if mine.size >= _MIN_FIRES:
            low[mine], high[mine] = _on_beats(fires.low_s[mine], fires.high_s[mine])
    return replace(fires, low_s=low, high_s=high)


def _on_beats(low_s: Floats, high_s: Floats) -> tuple[Floats, Floats]:
    """Put the fires of one train on its beats, and sharpen these."""
    apart = np.diff((low_s + high_s) / 2)
    near = np.lib.stride_tricks.sliding_window_view(
        np.pad(apart, _SIDE, mode="edge"), 2 * _SIDE + 1
    )
    usual = np.maximum(np.median(near, axis=1), 1e-3)
    steps = np.maximum(1, np.rint(apart / usual)).astype(np.int64)
    loose = ((high_s - low_s)[:-1] + (high_s - low_s)[1:]) / 2 + _PHASE_FRAC * usual
    linked = (np.abs(apart - steps * usual) <= loose) & (steps <= _MAX_STEPS)
    beat = np.concatenate(([0], np.cumsum(np.where(linked, steps, 1))))
    seen = np.zeros(int(beat[-1]) + 1, np.bool_)
    seen[beat] = True
    begins = np.zeros(seen.size, np.int64)
    begins[beat[1:][~linked]] = 1
    early, late = np.full(seen.size, np.nan), np.full(seen.size, np.nan)
    early[beat], late[beat] = low_s, high_s
    low, high = sharpen(early, late, seen, np.cumsum(begins), later_s=0.0)
    return low[beat], high[beat]
