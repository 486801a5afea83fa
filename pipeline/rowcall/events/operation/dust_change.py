"""Dust after the filter just before and after an instant: whether a fall of DP let dust through."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rowcall.condition.minutes import minute_means, shared_signal
from rowcall.events.noise import median_deviation
from rowcall.events.operation.gas_seconds import Signals
from rowcall.model import Floats
from rowcall.site import Role

_BEFORE_MIN, _AFTER_MIN = 60, 20  # chosen: an hour shows its wander; puffs last less than minutes
_MIN_KNOWN = 10  # chosen: minutes on each side
MIN_RATIO = 1.3  # chosen: base levels wander by less from hour to hour
_MIN_SNR = 4.0  # chosen: standard deviations of a minute


@dataclass(frozen=True, slots=True)
class DustChange:
    """Ratio of dust after to before an instant, and whether that is a rise; nan: not recorded."""

    ratio: float = math.nan
    is_rise: bool = False


def dust_change(signals: Signals, seconds: float, at_s: float) -> DustChange:
    """Return the change of dust signal or opacity at an instant of a day."""
    roles = (Role.DUST_SIGNAL, Role.OPACITY)
    shared = (shared_signal(signals, role) for role in roles)
    signal = next((one for one in shared if one is not None), None)
    if signal is None:
        return DustChange()
    level = minute_means(signal, int(seconds // 60))
    return change_at(level, int(at_s // 60))


def change_at(level: Floats, minute: int) -> DustChange:
    """Return the change at a minute by minute means, shape (n,), nan unknown."""
    before, after = (
        part[np.isfinite(part)]
        for part in (
            level[max(0, minute - _BEFORE_MIN) : minute],
            level[minute + 1 : minute + 1 + _AFTER_MIN],
        )
    )
    if min(before.size, after.size) < _MIN_KNOWN or not (usual := float(np.median(before))) > 0:
        return DustChange()
    now = float(np.median(after))
    is_rise = now >= MIN_RATIO * usual and now - usual >= _MIN_SNR * median_deviation(before)
    return DustChange(now / usual, is_rise)
