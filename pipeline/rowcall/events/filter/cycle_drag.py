"""Drag of the filter: just after cleaning, and how it grows with the gas that is filtered.

The pressure drop of cloth and cake is S V, with the drag S = S_e + K2 W: that after cleaning, and
the cake's (form of EPA/452/B-02-001, Section 6 Chapter 1). The dust W that a cycle brings is its
concentration times the gas filtered, so within a cycle drag runs along a straight line over the
gas: the intercept is S_e, the slope K2 times the concentration. Gas flow stands for the velocity,
as cloth does not change; flow is that with all compartments on line. DP is in proportion to
viscosity, so it is taken at that of gas of one temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import polars as pl

from rowcall.condition.quantiles import quantile
from rowcall.events.cycles import flow_per_cloth
from rowcall.events.passed import passed
from rowcall.gas.viscosity import viscosity_ratio
from rowcall.model import Floats, Signal

_SETTLE_S = 5.0  # chosen: the last pulse's own kick on DP has died out by then
_KICK_S = 1.0  # chosen: and that of one pulse among others
_NO_FLOW_M3_S = 1e-6  # chosen: far below the flow of any filter; over less, DP is beyond reason
_MIN_POINTS = 8  # chosen: of a cycle's line
_MIN_CYCLES = 3  # chosen: a median of fewer is one cycle's word
_NORMAL = 1.2533 * 1.4826  # standard error of a median from the absolute deviations


@dataclass(frozen=True, slots=True)
class Drag:
    """DP over gas flow of a day, at the viscosity of gas of `viscosity.REFERENCE_C`.

    Attributes:
        clean, clean_error: just after cleaning [Pa.s/m3], and its standard error.
        growth, growth_error: for each m3 of gas filtered [Pa.s/m6]; nan where it is not known.
    """

    clean: float = nan
    clean_error: float = nan
    growth: float = nan
    growth_error: float = nan


@dataclass(frozen=True, slots=True)
class Filtered:
    """DP over flow at the points of DP, and the gas filtered until then; shape (n,) each.

    time_s: [s]; per_flow: [Pa.s/m3]; gas_m3: [m3] since the start of the day.
    """

    time_s: Floats
    per_flow: Floats
    gas_m3: Floats

    def between(self, begin_s: float, end_s: float) -> tuple[Floats, Floats]:
        """Return gas [m3] and DP over flow [Pa.s/m3] of a span."""
        first, last = np.searchsorted(self.time_s, (begin_s, end_s))
        return self.gas_m3[first:last], self.per_flow[first:last]


def filtered(dp: Signal, minutes: pl.DataFrame) -> Filtered | None:
    """Return DP over flow where both are known, None without flow; minutes as `BaghouseDay`'s."""
    flow = flow_per_cloth(minutes)
    if flow is None:
        return None
    at_s = minutes["minute"].to_numpy() * 60.0 + 30.0
    gas_m3 = np.cumsum(np.nan_to_num(flow)) * 60.0 - np.nan_to_num(flow) * 30.0
    flow_at = np.interp(dp.time_s, at_s, flow)
    ratio: Floats = np.ones(dp.time_s.size)
    if "inlet_temperature_c" in minutes.columns:
        inlet_c = minutes["inlet_temperature_c"].fill_null(nan).to_numpy()
        ratio = viscosity_ratio(np.interp(dp.time_s, at_s, inlet_c))
    known = np.isfinite(flow_at) & (flow_at > _NO_FLOW_M3_S) & np.isfinite(ratio)
    per_flow = dp.value[known] / (flow_at[known] * ratio[known])
    return Filtered(dp.time_s[known], per_flow, np.interp(dp.time_s[known], at_s, gas_m3))


def drag_on_demand(cycles: pl.DataFrame, dp: Filtered) -> Drag:
    """Return the drag by a straight line over each cycle; cycles as `BaghouseDay.cycles`."""
    lines = [
        _line(*dp.between(cleaned + _SETTLE_S, end))
        for cleaned, end in cycles.select("clean_end_s", "end_s").iter_rows()
    ]
    clean, growth = np.array(lines, np.float64).reshape(-1, 2).T
    return Drag(*_median(clean), *_median(growth))


def cake_per_pulse(cycles: pl.DataFrame) -> float:
    """Return the DP that a pulse takes off on demand [Pa]: what cycles gain in DP, over pulses.

    Set points hold the fall over a bout of cleaning; what the dust of the bout itself adds is in
    proportion to its time. More dust calls for more bouts, and leaves the ratio as it is.
    """
    bout, rest = (
        pl.col("clean_end_s") - pl.col("start_s"),
        pl.col("end_s") - pl.col("clean_end_s"),
    )
    known = cycles.filter((rest > 0) & (pl.col("n_pulses") > 0))
    if known.height < _MIN_CYCLES:
        return nan
    fall = (pl.col("peak_dp_pa") - pl.col("residual_dp_pa")) * (1 + bout / rest)
    return float(known.select(fall.sum() / pl.col("n_pulses").sum()).item())


def drag_on_time(cycles: pl.DataFrame, dp: Filtered, pulses_s: Floats) -> Drag:
    """Return the foot of the ripple over a pass of all rows, and the rise between two pulses.

    pulses_s: ascending, shape (n,).
    """
    feet = [
        quantile(per_flow, 0.1) if per_flow.size >= _MIN_POINTS else nan
        for _, per_flow in (
            dp.between(*span) for span in cycles.select("start_s", "end_s").iter_rows()
        )
    ]
    return Drag(*_median(np.array(feet)), *_rise_between(dp, cycles, pulses_s))


def _line(gas_m3: Floats, per_flow: Floats) -> tuple[float, float]:
    """Intercept at the first point's gas and slope; nan with too few points."""
    if gas_m3.size < _MIN_POINTS or gas_m3[-1] <= gas_m3[0]:
        return nan, nan
    centre = gas_m3.mean()
    x = gas_m3 - centre
    slope = float(x @ per_flow / (x @ x))
    return float(per_flow.mean()) - slope * float(centre - gas_m3[0]), slope


def _rise_between(dp: Filtered, cycles: pl.DataFrame, pulses_s: Floats) -> tuple[float, float]:
    """One slope for all intervals between pulses, each with a level of its own; its error."""
    if cycles.is_empty() or pulses_s.size < _MIN_CYCLES:
        return nan, nan
    interval = passed(dp.time_s, pulses_s) - 1
    is_in = (interval >= 0) & (interval < pulses_s.size - 1)
    is_in &= (dp.time_s >= cycles["start_s"][0]) & (dp.time_s < cycles["end_s"][-1])
    is_in[is_in] &= dp.time_s[is_in] - pulses_s[interval[is_in]] > _KICK_S
    group, x, y = interval[is_in], dp.gas_m3[is_in], dp.per_flow[is_in]
    count = np.bincount(group, minlength=pulses_s.size)
    x = x - (np.bincount(group, x, count.size) / np.maximum(count, 1))[group]
    y = y - (np.bincount(group, y, count.size) / np.maximum(count, 1))[group]
    weight, n_free = float(x @ x), int(group.size - (count > 0).sum() - 1)
    if n_free < _MIN_POINTS or weight <= 0:
        return nan, nan
    slope = float(x @ y) / weight
    residual = y - slope * x
    return slope, sqrt(float(residual @ residual) / n_free / weight)


def _median(values: Floats) -> tuple[float, float]:
    known = values[np.isfinite(values)]
    if known.size < _MIN_CYCLES:
        return nan, nan
    middle = float(np.median(known))
    return middle, _NORMAL * float(np.median(np.abs(known - middle))) / sqrt(known.size)
