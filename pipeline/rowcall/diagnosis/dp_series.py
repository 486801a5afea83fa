"""Residual DP by day at one flow, as rules on ageing read it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date

import numpy as np

from rowcall.diagnosis.trend import MIN_POINTS, Trend, fit_trend
from rowcall.model import Context, Fact, Floats
from rowcall.units import Units

_WINDOW_D = 90  # chosen: a season
_MIN_FILLED = 0.6  # chosen: a trend is judged when this share of its days has a value


@dataclass(frozen=True, slots=True)
class DpSeries:
    """Residual DP by day at the reference flow, where there is one; day numbers count to today."""

    days: list[date]
    number: Floats
    value_pa: Floats
    log_flow: Floats | None  # over the reference
    reference_m3_s: float | None

    def since(self, number: int) -> DpSeries:
        """Return what a day and the days after it show."""
        keep = self.number >= number
        days = [day for day, k in zip(self.days, keep, strict=True) if k]
        flow = None if self.log_flow is None else self.log_flow[keep]
        return DpSeries(days, self.number[keep], self.value_pa[keep], flow, self.reference_m3_s)

    def corrected(self, trend: Trend | None) -> Floats:
        """Return the values corrected to the reference flow."""
        if self.log_flow is None:
            return self.value_pa
        exponent = 1.0 if trend is None else trend.exponent
        corrected: Floats = self.value_pa * np.exp(-exponent * self.log_flow)
        return corrected

    def trend(self) -> Trend | None:
        """Return the trend, None with too few of the days."""
        covered = 1 - self.number[0] if self.number.size else 0.0
        if self.number.size < max(MIN_POINTS, _MIN_FILLED * covered):
            return None
        return fit_trend(self.number, self.value_pa, self.log_flow)

    def basis(self, units: Units) -> str:
        """Return what the values are corrected to, in words."""
        if self.reference_m3_s is None:
            return "not corrected for flow: no flow tag"
        return f"corrected to {units.gas_flow.show(self.reference_m3_s)}"


def dp_series(context: Context) -> DpSeries | None:
    """Join history and today; a day that is missing in the preferred fact stays missing."""
    flow = by_day(context, Fact.FLOW_M3_S)
    for fact in (Fact.RESIDUAL_DP_PER_FLOW, Fact.RESIDUAL_DP_PA):
        value = by_day(context, fact)
        if context.day.day not in value:
            continue
        today = context.day.day
        has_flow = fact is Fact.RESIDUAL_DP_PER_FLOW
        days = [d for d in value if (today - d).days < _WINDOW_D and (d in flow or not has_flow)]
        number = np.array([(d - today).days for d in days], np.float64)
        values = np.array([value[d] for d in days])
        if not has_flow:
            return DpSeries(days, number, values, None, None)
        flows = np.array([flow[d] for d in days])
        reference = context.day.baghouse.design_flow or float(np.median(flows))
        return DpSeries(days, number, values * flows, np.log(flows / reference), reference)
    return None


def by_day(context: Context, fact: Fact) -> dict[date, float]:
    """Return a fact of the baghouse by day, oldest first, today included where known."""
    days, values = context.history.of(fact)
    today = context.facts.of(fact)
    known = dict(zip(days, values.tolist(), strict=True))
    return known if math.isnan(today) else {**known, context.day.day: today}
