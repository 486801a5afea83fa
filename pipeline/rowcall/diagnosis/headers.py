"""The headers of a baghouse, as the header rules weigh them."""

from __future__ import annotations

import math

import numpy as np

from rowcall.model import BaghouseDay, Fact, FactBook, Need
from rowcall.site import Role

HOURS_A_YEAR = 8760.0


def needs_header(purpose: str) -> Need:
    """Return the need of header pressure, for the rules on the air of headers."""
    # Chosen: of fewer points a day hardly any shows a refill, or lies just before a pulse.
    return Need(any_of=(Role.HEADER_PRESSURE,), purpose=purpose, max_step_s=3600.0)


def headers_of(day: BaghouseDay) -> list[int]:
    """Return the headers that the site file names, by compartment; 0 is a shared one."""
    tags = (tag for tag in day.baghouse.tag if tag.role is Role.HEADER_PRESSURE)
    return sorted({tag.compartment or 0 for tag in tags})


def pressure_before(day: BaghouseDay, facts: FactBook, header: int) -> float:
    """Return the pressure that a usual pulse starts from [Pa], nan where it is not known."""
    plateau = facts.of(Fact.PLATEAU_PA, header)
    if math.isfinite(plateau):
        return plateau - facts.of(Fact.SHORTFALL_PA, header)
    served = [facts.of(Fact.BEFORE_PA, c) for c in day.baghouse.served_by(header, headers_of(day))]
    known = [value for value in served if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan
