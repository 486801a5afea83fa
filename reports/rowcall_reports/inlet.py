"""The inlet temperature of a day, tag by tag, minute by minute."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from rowcall.condition.minutes import minute_means
from rowcall.model import BaghouseDay, Floats
from rowcall.site import Baghouse, Role

_NEAR_C = 10.0  # chosen: closer than this to the continuous limit is worth a picture


@dataclass(frozen=True, slots=True)
class InletTag:
    """One tag of the inlet temperature.

    Attributes:
        compartment: 0 where it is the whole baghouse's.
        minute_c: 1-minute averages [°C], shape (minutes of the day,), nan where there is none.
    """

    tag: str
    compartment: int
    minute_c: Floats

    @property
    def highest_c(self) -> float:
        """The highest 1-minute average [°C]."""
        return float(np.nanmax(self.minute_c))

    def minutes_above(self, limit_c: float) -> int:
        """Return the number of 1-minute averages above a limit."""
        return int(np.sum(self.minute_c > limit_c))


def inlet_tags(day: BaghouseDay) -> tuple[InletTag, ...]:
    """Return the tags of the inlet temperature that have a value on the day, by compartment."""
    names = {(tag.role, tag.compartment, tag.row): tag.tag for tag in day.health}
    found = (
        InletTag(names.get(place, ""), place[1], minute_means(signal, int(day.seconds // 60)))
        for place, signal in sorted(day.signals.items(), key=lambda item: item[0][1:])
        if place[0] is Role.INLET_TEMPERATURE
    )
    return tuple(one for one in found if np.isfinite(one.minute_c).any())


def near_limit(baghouse: Baghouse, tags: Iterable[InletTag]) -> InletTag | None:
    """Return the hottest tag where it came near its continuous limit: worth a picture."""
    limits = baghouse.temperature_limits()
    tag = max(tags, key=lambda one: one.highest_c, default=None)
    if limits is None or tag is None or tag.highest_c <= limits[0] - _NEAR_C:
        return None
    return tag
