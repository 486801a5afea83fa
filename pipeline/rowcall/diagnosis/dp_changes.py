"""A cleaning set point or a DP transmitter that changed: found in residual DP by day, and said."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date

import numpy as np

from rowcall.diagnosis.dp_series import DpSeries, by_day
from rowcall.diagnosis.steps import find_steps
from rowcall.diagnosis.trend import Trend
from rowcall.model import Context, Fact

_AROUND_D = 7  # chosen: days on each side that show a change; a week holds its weekend
_MIN_CHANGE = 0.04  # [-] chosen: a smaller change of scale or set point is none that matters
_SURE = 1.5  # chosen: log-likelihood ratio, odds of 4 to 1
_FALL_SD = 0.05  # [-] chosen: what the fall at pulses differs by from week to week, at least
_USUAL_D = 28  # chosen: days before a change that show by how much products differ


def newest_change(
    context: Context, series: DpSeries, trend: Trend | None
) -> tuple[str, date | None]:
    """Return the newest day of a set point or a transmitter that changed, and say so."""
    corrected = series.corrected(trend)
    changed, peaks = (by_day(context, fact) for fact in (Fact.DP_CHANGED_S, Fact.PEAK_DP_PA))
    peak = np.array([peaks.get(day, math.nan) for day in series.days])
    on_demand = context.day.baghouse.cleaning.mode == "on_demand" and np.isfinite(peak).all()
    dated = {index for index, day in enumerate(series.days) if index and day in changed}
    steps = {*find_steps(corrected), *(find_steps(peak) if on_demand else ())}
    loose = {step for step in steps if not {step - 1, step, step + 1} & dated}
    for index in sorted(dated | loose, reverse=True):
        beside = slice(max(0, index - _AROUND_D), index), slice(index, index + _AROUND_D)
        ratio, peak_ratio = (
            float(np.median(one[beside[1]]) / np.median(one[beside[0]]))
            for one in (corrected, peak)
        )
        day = series.days[index]
        if ratio <= 0 or abs(math.log(ratio)) < _MIN_CHANGE:
            continue
        jump = by_day(context, Fact.DP_JUMP).get(day)
        times = f"since {day.isoformat()} DP reads {ratio:.2f} times what it did"
        if on_demand and jump is None and abs(math.log(peak_ratio)) >= _MIN_CHANGE:
            show = context.units.dp.show
            before, after = (float(np.median(peak[part])) for part in beside)
            moved = "raised" if after > before else "lowered"
            return (
                f"cleaning set points were {moved} on {day.isoformat()} (cleaning starts at "
                f"{show(after)}, before at {show(before)}): DP is compared "
                "from then on",
                day,
            )
        gain = _scale_gain(context, series, beside, math.log(ratio))
        if gain >= _SURE or (jump is not None and gain > -_SURE):
            if gain < _SURE:
                why = "jumped within a minute, which dust does not: check transmitter and taps"
            else:
                why = "its fall at pulses too: a transmitter, its range or a tap, not dust"
            return f"{times}, {why}; it is compared from then on", day
    return "", None


def _scale_gain(
    context: Context, series: DpSeries, beside: tuple[slice, slice], change: float
) -> float:
    """Return the log-likelihood ratio of another scale over more drag, by the fall at pulses.

    A scale multiplies the fall; more drag leaves it. It grows with the square of flow. More dust
    raises it by more than DP, which is neither: 0. Where products already made it differ from day
    to day, it tells little.
    """
    falls, errors = (by_day(context, f) for f in (Fact.DP_FALL_PA, Fact.DP_FALL_ERROR_PA))
    logs = []
    for part in beside:
        days = [day for day in series.days[part] if day in falls and day in errors]
        flow = 0.0 if series.log_flow is None else float(np.median(series.log_flow[part]))
        weight = np.array([errors[day] ** -2 for day in days if errors[day] > 0])
        if weight.size < len(days) or not days:
            return 0.0
        fall = float(weight @ np.array([falls[day] for day in days]) / weight.sum())
        if fall <= 0:
            return 0.0
        logs.append((math.log(fall) - 2 * flow, 1 / weight.sum() / fall**2))
    (before, error_before), (after, error_after) = logs
    usual = slice(max(0, beside[1].start - _USUAL_D), beside[1].start)
    variance = error_before + error_after + max(_FALL_SD, _spread(series, falls, usual)) ** 2
    grown = after - before
    if abs(grown - change) > 2 * math.sqrt(variance) and abs(grown) > abs(change):
        return 0.0
    return float((grown**2 - (grown - change) ** 2) / (2 * variance))


def _spread(series: DpSeries, falls: Mapping[date, float], part: slice) -> float:
    """Return the standard deviation of the logarithm of falls, flow taken out, from day to day."""
    flow = np.zeros(series.number.size) if series.log_flow is None else series.log_flow
    logs = [
        math.log(falls[day]) - 2 * log_flow
        for day, log_flow in zip(series.days[part], flow[part], strict=True)
        if falls.get(day, 0.0) > 0
    ]
    return float(np.std(logs)) if len(logs) > 1 else 0.0
