"""The headers of a baghouse, as the header rules weigh them."""

from __future__ import annotations

import math

import numpy as np

from rowcall.model import BaghouseDay, Fact, FactBook, Need
from rowcall.site import Role
from rowcall.units import show

HOURS_A_YEAR = 8760.0
_MAX_LOG_ERROR = 0.15  # of a time that is stated; chosen: its 95 % interval spans a factor of 1.8


def needs_header(purpose: str) -> Need:
    """Return the need of header pressure, for the rules on the air of headers."""
    # Chosen: of fewer points a day hardly any shows a refill, or lies just before a pulse.
    return Need(any_of=(Role.HEADER_PRESSURE,), purpose=purpose, max_step_s=3600.0)


def headers_of(day: BaghouseDay) -> list[int]:
    """Return the headers that the site file names, by compartment; 0 is a shared one."""
    tags = (tag for tag in day.baghouse.tag if tag.role is Role.HEADER_PRESSURE)
    return sorted({tag.compartment or 0 for tag in tags})


def recovered_in(recovery_s: float, log_error: float, interval_s: float) -> str:
    """Say in which time 95 % of a drop are recovered, or that the next pulse hides it."""
    if math.isnan(log_error):
        return f"recovered in {show(recovery_s, 's', 1)}"
    if log_error > _MAX_LOG_ERROR:
        least, perhaps = (show(one, "s", 1) for one in (min(recovery_s, interval_s), recovery_s))
        return f"recovered in {least} or more (perhaps {perhaps}; no sample shows the end)"
    low, high = (show(recovery_s * math.exp(k * 1.96 * log_error), "s", 1) for k in (-1, 1))
    return f"recovered in {show(recovery_s, 's', 1)} (95 % interval {low} to {high})"


def pressure_before(day: BaghouseDay, facts: FactBook, header: int) -> float:
    """Return the pressure that a usual pulse starts from [Pa], nan where it is not known."""
    plateau = facts.of(Fact.PLATEAU_PA, header)
    if math.isfinite(plateau):
        return plateau - facts.of(Fact.SHORTFALL_PA, header)
    served = [facts.of(Fact.BEFORE_PA, c) for c in day.baghouse.served_by(header, headers_of(day))]
    known = [value for value in served if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan
