"""Compartments of one casing against each other, minute by minute while they filter."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from rowcall.condition.minutes import minute_means
from rowcall.events.noise import median_deviation
from rowcall.events.operation.gas_seconds import Mask, Signals
from rowcall.model import Floats
from rowcall.site import Baghouse, Role

_MIN_HOURS = 3  # chosen: fewer show no scatter
_MIN_PEERS = 3  # of two, the median is the mean of both
_MIN_MINUTES = 20  # chosen: of an hour that counts
_MEDIAN = 1.2533  # standard error of a median over that of a mean, normal scatter


def on_line(baghouse: Baghouse, signals: Signals, running: Mask) -> Mask:
    """Return when each compartment filtered, shape (n_compartments, n_minutes).

    Without a bit it counts as on line.
    """
    on = np.repeat(running[None, :], baghouse.compartments, axis=0)
    for c in range(baghouse.compartments):
        bit = signals.get((Role.COMPARTMENT_ON_LINE, c + 1, 0))
        if bit is not None:
            on[c] &= np.nan_to_num(minute_means(bit, running.size)) > 0.5
    return on


def by_compartment(baghouse: Baghouse, signals: Signals, role: Role, on: Mask) -> Floats:
    """Return minute means of a role of each compartment while it filters, else nan; as `on`."""
    out = np.full(on.shape, np.nan)
    for c in range(baghouse.compartments):
        signal = signals.get((role, c + 1, 0))
        if signal is not None:
            out[c] = np.where(on[c], minute_means(signal, on.shape[1]), np.nan)
    return out


def above_peers(level: Floats) -> dict[int, tuple[float, float]]:
    """Return by compartment how far it is above its peers, and the standard error.

    Peers are all compartments by their median, which one of three does not move; of two the other.
    level: shape (n_compartments, n_minutes), nan unknown; hours of medians, then their median.
    """
    n, minutes = level.shape
    n_known = np.isfinite(level).sum(axis=0)
    of_all, of_two = n_known >= _MIN_PEERS, n_known == _MIN_PEERS - 1
    middle = np.full(minutes, np.nan)
    middle[of_all] = np.nanmedian(level[:, of_all], axis=0)
    pair = np.nansum(level, axis=0)
    out = {}
    for c in range(n):
        # Of two, the sum without the own value is the other one's.
        above = level[c] - np.where(of_two, pair - level[c], middle)
        hours = above[: minutes // 60 * 60].reshape(-1, 60)
        hours = hours[np.isfinite(hours).sum(axis=1) >= _MIN_MINUTES]
        if len(hours) >= _MIN_HOURS:
            each = np.nanmedian(hours, axis=1)
            error = _MEDIAN * median_deviation(each) / np.sqrt(each.size)
            out[c + 1] = (float(np.median(each)), float(error))
    return out


def over_peers(known: Mapping[int, float]) -> dict[int, float]:
    """Return by compartment a number over that of its peers; 0 counts as not known."""
    above = {c: value for c, value in known.items() if value > 0}
    if len(above) < _MIN_PEERS:
        return {c: v / other for c, v in above.items() for o, other in above.items() if o != c}
    middle = float(np.median(list(above.values())))
    return {c: value / middle for c, value in above.items()}
