"""Which plant-local days a set of instants falls in."""

from __future__ import annotations

from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from rowcall.days import day_bounds
from rowcall.store.samples import epoch_us, from_epoch_us

_QUARTER_US = 15 * 60 * 1_000_000


def local_days(time_us: npt.NDArray[np.int64], zone: ZoneInfo) -> list[date]:
    """Return the plant-local days, in order, in which any of the instants lies.

    Args:
        time_us: i64, microseconds since 1970-01-01 UTC, in any order.
        zone: the plant's zone; a day runs from midnight to midnight there.
    """
    if not len(time_us):
        return []
    first, last = (
        from_epoch_us(int(bound)).astimezone(zone).date()
        for bound in (time_us.min(), time_us.max())
    )
    if last - first <= timedelta(days=1):
        return sorted({first, last})
    # Days of any zone begin on a quarter of an hour, so only quarters are distinguished;
    # runs of one quarter go first because sorting every instant would cost more than the rest.
    quarters = time_us // _QUARTER_US
    starts = np.flatnonzero(np.diff(quarters, prepend=quarters[0] - 1))
    quarters = np.unique(quarters[starts]) * _QUARTER_US
    day, found = first, []
    while day <= last:
        start, end = (epoch_us(bound) for bound in day_bounds(day, zone))
        at = int(np.searchsorted(quarters, start))
        if at < len(quarters) and quarters[at] < end:
            found.append(day)
            day += timedelta(days=1)
        elif at < len(quarters):
            day = from_epoch_us(int(quarters[at])).astimezone(zone).date()
        else:
            break
    return found
