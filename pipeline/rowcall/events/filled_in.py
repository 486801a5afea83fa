"""The scans that a compressing historian left out of a header's pressure, put back.

Left out is what told nothing new: between two points the pressure stayed within the dead-band of
the last one kept (kept by exception), or of the straight line between them (kept by slope). Without
that, a fire that changed nothing would leave no point at all, and not be heard.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rowcall.condition.sampling import LONGEST_BRIDGE_S
from rowcall.model import Signal

_SHORT = 0.05  # chosen: the share of gaps from which the period of the scans is read
_LEAST_STEP_S, _MOST_STEP_S = 0.2, 5.0  # chosen: a scan out of these tells nothing more of a pulse
_LARGE = 0.5  # chosen: of the largest falls; such a one is a pulse
_SELDOM = 0.3  # chosen: share of pulses after a longer gap, from which they were kept by exception


def filled_in(header: Signal) -> Signal:
    """Return a compressed header pressure with its scans put back, any other as it is."""
    if header.bridge_s <= LONGEST_BRIDGE_S or header.time_s.size < 3:
        return header
    gap, change = np.diff(header.time_s), np.diff(header.value)
    step = float(np.clip(np.quantile(gap, _SHORT), _LEAST_STEP_S, _MOST_STEP_S))
    large = change <= _LARGE * float(np.quantile(change, 0.01))
    by_exception = float(np.mean(gap[large] > 1.5 * step)) > _SELDOM
    missing = np.where(gap <= LONGEST_BRIDGE_S, np.round(gap / step) - 1, 0).astype(np.int64)
    missing = np.maximum(missing, 0)
    after = np.repeat(np.arange(gap.size), missing)
    nth = np.arange(after.size) - np.repeat(np.cumsum(missing) - missing, missing) + 1
    share = nth / (missing[after] + 1)
    on_way = np.zeros(after.size) if by_exception else share * change[after]
    time_s = np.concatenate((header.time_s, header.time_s[after] + share * gap[after]))
    value = np.concatenate((header.value, header.value[after] + on_way))
    order = np.argsort(time_s, kind="stable")
    return replace(header, time_s=time_s[order], value=value[order])
