"""The headers of a baghouse and what is usual of them, as the header rules weigh it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from rowcall.diagnosis.fact_book import Place, past_of
from rowcall.events.find import served_by
from rowcall.model import BaghouseDay, Floats
from rowcall.site import Role

HOURS_A_YEAR = 8760.0


def headers_of(day: BaghouseDay) -> list[int]:
    """Return the headers that the site file names, by compartment; 0 is a shared one."""
    tags = (tag for tag in day.baghouse.tag if tag.role is Role.HEADER_PRESSURE)
    return sorted({tag.compartment or 0 for tag in tags})


def usual_of(
    day: BaghouseDay, place: Place, quantile: float, least_days: float
) -> tuple[float, Floats]:
    """Return a quantile of a fact's history and the history, nan with too few days of it.

    Of what a fault raises, ask a low quantile, of what it lowers a high one, so that weeks of the
    fault do not become the new usual.
    """
    _, past = past_of(day.history, place)
    usual = float(np.quantile(past, quantile)) if past.size >= least_days else math.nan
    return usual, past


def pressure_before(day: BaghouseDay, facts: Mapping[Place, float], header: int) -> float:
    """Return the pressure that a usual pulse starts from [Pa], nan where untold."""
    plateau, left = (facts.get((header, 0, name), math.nan) for name in ("plateau_pa", "left_pa"))
    if math.isfinite(plateau):
        return plateau - left
    served = [
        facts.get((c, 0, "before_pa"), math.nan)
        for c in served_by(day.baghouse, header, headers_of(day))
    ]
    known = [value for value in served if math.isfinite(value)]
    return float(np.median(known)) if known else math.nan
