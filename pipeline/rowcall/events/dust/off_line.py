"""How dust changes when a compartment goes off line, and when it comes back."""

from __future__ import annotations

import math

import numpy as np

from rowcall.events.dust.monitor import Dust
from rowcall.model import Floats, Signal

_BESIDE_S = 900.0  # chosen: before and after a change; load moves little meanwhile
_SETTLE_S = 120.0  # chosen: dampers move, and gas comes through the duct
_MIN_POINTS = 10  # chosen: on either side


def off_line_ratios(dust: Dust, on_line: Signal) -> Floats:
    """Return dust with a compartment off line over that with it on line, shape (changes,).

    Each change of the bit counts where gas flows before and after it, and no other change follows.
    """
    is_on = on_line.value > 0.5
    at = np.flatnonzero(np.diff(is_on.astype(np.int8))) + 1
    times = on_line.time_s[at]
    alone = (
        np.minimum(np.diff(times, prepend=-math.inf), np.diff(times, append=math.inf)) >= _BESIDE_S
    )
    ratios = []
    for k, t in zip(at[alone], times[alone], strict=True):
        sides = [
            dust.value[slice(*np.searchsorted(dust.time_s, span))]
            for span in ((t - _BESIDE_S, t), (t + _SETTLE_S, t + _BESIDE_S))
        ]
        if min(one.size for one in sides) < _MIN_POINTS:
            continue
        before, after = (float(np.mean(one)) for one in sides)
        off, on = (before, after) if is_on[k] else (after, before)
        if min(off, on) > 0:
            ratios.append(off / on)
    return np.array(ratios)
