"""Tags of one role that show the same gas: which of them reads apart, and how far."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from rowcall.diagnosis.sensors.sensor_tags import places_of, sound_values
from rowcall.events.noise import TO_DEVIATION
from rowcall.model import Context, Fact, Floats
from rowcall.site import Role
from rowcall.units import Scale, Units

APART: Mapping[Role, Fact] = {
    Role.DP: Fact.DP_APART_PA,
    Role.INLET_TEMPERATURE: Fact.INLET_APART_K,
}
_FIRST_DAYS = 7  # chosen: the oldest days, which a slow drift has moved least
_SURE = 2.0  # standard deviations; 95 % of a normal distribution lie within
_ALONE = 1.8  # chosen: the odd one of three moves the median of the others by half as much


@dataclass(frozen=True, slots=True)
class Departure:
    """How far a tag reads from the others today, less what is usual [its unit]."""

    role: Role
    compartment: int
    value: float
    error: float
    is_odd: bool  # the only one that departs

    @property
    def surely(self) -> float:
        """The least that its interval leaves of it."""
        return max(abs(self.value) - _SURE * self.error, 0.0)


def departures(
    context: Context, rules: Collection[str], min_days: float
) -> tuple[list[Departure], list[Departure]]:
    """Return today's departures from the usual, and those of tags whose usual is not known.

    rules: days on which one of them found anything at a place are no usual days of it.
    """
    known, unknown = list[Departure](), list[Departure]()
    for role, fact in APART.items():
        today = {
            place: apart
            for place in places_of(context.day, (role,))
            if not math.isnan(apart := context.facts.of(fact, place))
        }
        past = {place: sound_values(context, fact, place, rules) for place in today}
        has_past = bool(past) and min(values.size for values in past.values()) >= min_days
        usual = {
            place: float(np.median(past[place][:_FIRST_DAYS])) if has_past else 0.0
            for place in today
        }
        size = {place: abs(apart - usual[place]) for place, apart in today.items()}
        for place, apart in today.items():
            others = [one for other, one in size.items() if other != place]
            error = _scatter(past[place]) if has_past else 0.0
            is_odd = len(today) > 2 and size[place] > _ALONE * max(others)
            found = Departure(role, place, apart - usual[place], error, is_odd)
            (known if has_past else unknown).append(found)
    return known, unknown


def suspects(found: list[Departure], role: Role) -> list[Departure]:
    """Return of one role the odd tag where there is one, else all."""
    own = [one for one in found if one.role is role]
    return [one for one in own if one.is_odd] or own


def scale_of(units: Units, role: Role) -> Scale:
    """Return how a departure of a role is written."""
    return units.dp if role is Role.DP else units.warming


def _scatter(past: Floats) -> float:
    """Standard deviation from day to day."""
    return TO_DEVIATION * float(np.median(np.abs(np.diff(past)))) / math.sqrt(2)
