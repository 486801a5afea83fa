"""DP by day at one flow, and that of the cloth without its cake, as rules on ageing read it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from rowcall.diagnosis.trend import MIN_POINTS, Trend, fit_trend
from rowcall.model import Context, Fact, Floats
from rowcall.units import Units

_WINDOW_D = 90  # chosen: a season
_MIN_FILLED = 0.6  # chosen: a trend is judged when this share of its days has a value
# [-] of what a pass brings, left in the cake's mean: 1/r - 1/2 at a pulse's share r of 0.67; heat
# lost by the casing alone goes with 1 / flow; and the standard deviation beforehand. Chosen.
_SHARE, _SHARE_SD = 1.0, 1.0
_MIN_NOISE = 0.01  # [-] chosen: a day is never taken as better known


@dataclass(frozen=True, slots=True)
class DpSeries:
    """DP by day and flow, where known; day numbers count to today."""

    days: list[date]
    number: Floats
    value: Floats
    log_flow: Floats | None  # over the reference
    reference_m3_s: float | None

    def since(self, number: int) -> DpSeries:
        """Return what a day and the days after it show."""
        keep = self.number >= number
        days = [day for day, k in zip(self.days, keep, strict=True) if k]
        flow = None if self.log_flow is None else self.log_flow[keep]
        return DpSeries(days, self.number[keep], self.value[keep], flow, self.reference_m3_s)

    def corrected(self, trend: Trend | None) -> Floats:
        """Return the values corrected to the reference flow."""
        if self.log_flow is None:
            return self.value
        exponent = 1.0 if trend is None else trend.exponent
        corrected: Floats = self.value * np.exp(-exponent * self.log_flow)
        return corrected

    def trend(self) -> Trend | None:
        """Return the trend, None with too few of the days."""
        covered = 1 - self.number[0] if self.number.size else 0.0
        if self.number.size < max(MIN_POINTS, _MIN_FILLED * covered):
            return None
        return fit_trend(self.number, self.value, self.log_flow)

    def basis(self, units: Units) -> str:
        """Return what the values are corrected to, in words."""
        if self.reference_m3_s is None:
            return "not corrected for flow: no flow tag"
        return f"corrected to {units.gas_flow.show(self.reference_m3_s)}"


def dp_series(context: Context) -> DpSeries | None:
    """Join history and today; a day that is missing in the preferred fact stays missing."""
    per_flow, flow = (by_day(context, f) for f in (Fact.RESIDUAL_DP_PER_FLOW, Fact.FLOW_M3_S))
    if context.day.day in per_flow:
        at_flow = {day: value * flow[day] for day, value in per_flow.items() if day in flow}
        return series_of(context, at_flow, flow)
    return series_of(context, by_day(context, Fact.RESIDUAL_DP_PA), None)


def series_of(
    context: Context, value: Mapping[date, float], flow: Mapping[date, float] | None
) -> DpSeries | None:
    """Return the last days of a number, and of flow, None where today is not among them."""
    today = context.day.day
    if today not in value:
        return None
    days = [day for day in value if (today - day).days < _WINDOW_D and (not flow or day in flow)]
    number = np.array([(day - today).days for day in days], np.float64)
    values = np.array([value[day] for day in days])
    if flow is None:
        return DpSeries(days, number, values, None, None)
    flows = np.array([flow[day] for day in days])
    reference = context.day.baghouse.design_flow or float(np.median(flows))
    return DpSeries(days, number, values, np.log(flows / reference), reference)


def by_day(context: Context, fact: Fact) -> dict[date, float]:
    """Return a fact of the baghouse by day, oldest first, today included where known."""
    days, values = context.history.of(fact)
    today = context.facts.of(fact)
    known = dict(zip(days, values.tolist(), strict=True))
    return known if math.isnan(today) else {**known, context.day.day: today}


def cloth_dp(context: Context) -> DpSeries | None:
    """DP just after cleaning without what differs in its cake, by day [Pa]."""
    clean, flow = by_day(context, Fact.CLEAN_DP_PER_FLOW), by_day(context, Fact.FLOW_M3_S)
    brought = _brought(context, flow)
    days = [day for day in clean if day in brought]
    values = (np.array([known[day] for day in days]) for known in (clean, brought))
    cloth = at_median_of(*values).tolist()
    at_flow = {day: drag * flow[day] for day, drag in zip(days, cloth, strict=True)}
    return series_of(context, at_flow, flow)


def _brought(context: Context, flow: Mapping[date, float]) -> dict[date, float]:
    """Return by day the drag of the cake that a pulse of each row takes off [Pa.s/m3]."""
    if context.day.baghouse.cleaning.mode == "on_demand":
        n = len(context.day.baghouse.all_rows())
        cake = by_day(context, Fact.CAKE_PER_PULSE_PA)
        return {day: n * cake[day] / flow[day] for day in cake if day in flow}
    facts = (Fact.DP_PER_FLOW_GROWTH, Fact.CYCLE_TIME_S)
    growth, cycle_s = (by_day(context, fact) for fact in facts)
    days = (day for day in growth if day in cycle_s and day in flow)
    return {day: growth[day] * cycle_s[day] * flow[day] for day in days}


def at_median_of(value: Floats, driver: Floats) -> Floats:
    """Return a series at the median of what drives it, by what days beside each other differ.

    value, driver: by day in one unit, shape (n,); beforehand value goes with driver, one to one.
    A step of its own is one difference of many, and a slow rise hardly shows in them.
    """
    if value.size < 2:
        return value
    rise, more = np.diff(value), np.diff(driver)
    noise = max(float(np.median(np.abs(rise))), _MIN_NOISE * float(np.median(value)))
    weight = (noise / _SHARE_SD) ** 2
    power = float(more @ more + weight)
    if not power > 0:  # nothing differs from day to day
        return value
    share = float(rise @ more + _SHARE * weight) / power
    apart: Floats = value - max(share, 0.0) * (driver - np.median(driver))
    return apart
