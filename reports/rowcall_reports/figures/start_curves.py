"""Starts of the day: inlet temperature from the first gas on, against the dew points."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from rowcall.events.operation.dew_hours import dew_hours
from rowcall.model import BaghouseDay
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.prepared import PreparedDay

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_MAX_STARTS = 3  # chosen: of a unit that starts oftener the first ones show how
_BEFORE_MIN, _AFTER_MIN = 10, 30  # chosen: what the gas came from, and what it came to
_PANEL_IN = 1.3
_ACID: canvas.Color = (0.96, 0.86, 0.74)


def draw_starts(baghouse: PreparedDay) -> Picture | None:
    """Return the starts, the first one above, or None without one or without temperature."""
    day = baghouse.day
    starts = day.starts.filter(kind="start").head(_MAX_STARTS)
    if starts.is_empty() or "inlet_temperature_c" not in day.minutes.columns:
        return None
    figure, axes = canvas.stacked_axes([_PANEL_IN] * starts.height)
    for one, start in zip(reversed(axes), starts.iter_rows(named=True), strict=True):
        _draw_start(one, day, start)
    return Picture(
        name=picture_name("starts", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=f"Starts of {day.baghouse.id}: {'; '.join(_words(day, starts))}.",
        caption=f"{day.baghouse.id}, inlet temperature by the minutes since gas flowed. "
        + _key(dew_points(day)),
    )


def dew_points(day: BaghouseDay) -> tuple[float, tuple[float, ...]]:
    """Return the dew point of water and those of acid, by correlation; nan, () unknown.

    Medians of the day [degC].
    """
    dew = dew_hours(day.baghouse, day.signals, day.seconds)
    known = dew.water_c[np.isfinite(dew.water_c)]
    water = float(np.median(known)) if known.size else math.nan
    return water, tuple(dew.acid_spread_c().tolist())


def _draw_start(axes: Axes, day: BaghouseDay, start: dict[str, Any]) -> None:
    scale, begin = day.units.temperature, start["begin_s"] / 60
    until = start["end_s"] / 60 - begin + _AFTER_MIN
    since = day.minutes["minute"].to_numpy() + 0.5 - begin
    inside = (since >= -_BEFORE_MIN) & (since <= until)
    inlet = scale.of(day.minutes["inlet_temperature_c"].to_numpy()[inside])
    water, acid = dew_points(day)
    if acid:
        axes.axhspan(scale.of(acid[0]), scale.of(acid[-1]), color=_ACID, linewidth=0)
        canvas.write_beside(axes, scale.of(acid[-1]), "acid", canvas.RUST)
    if math.isfinite(water):
        axes.axhline(scale.of(water), color=canvas.BLUE, linewidth=1.0, linestyle=canvas.DASHES)
        canvas.write_beside(axes, scale.of(water), "water", canvas.BLUE)
    axes.plot(since[inside], inlet, color=canvas.INK, linewidth=1.2)
    axes.axvline(0.0, color=canvas.PALE_INK, linewidth=0.8)
    if start["first_pulse_s"] is not None and start["first_pulse_s"] / 60 <= until:
        at = start["first_pulse_s"] / 60
        level = float(np.interp(at, since[inside], inlet))
        axes.plot([at], [level], "v", color=canvas.INK, markersize=5)
    axes.set_xlim(-_BEFORE_MIN, until)
    axes.grid(axis="y", color=canvas.GRID, linewidth=0.6)
    canvas.write_title(axes, f"Inlet, {scale.words}, by minutes since gas flowed")


def _words(day: BaghouseDay, starts: pl.DataFrame) -> list[str]:
    words = []
    for start in starts.iter_rows(named=True):
        cold = [
            f"{start[column] / 60:.0f} min below the {name} dew point"
            for column, name in (("water_s", "water"), ("acid_s", "acid"))
            if start[column] is not None
        ]
        at = wording.clock(day.start + timedelta(seconds=start["begin_s"]), day.zone)
        words.append(f"gas from {at} on" + (f", {', '.join(cold)}" if cold else ""))
    return words


def _key(points: tuple[float, tuple[float, ...]]) -> str:
    water, acid = points
    parts = ["Triangle: first pulse."]
    if math.isfinite(water):
        parts.append("Dashed: water dew point.")
    if acid:
        parts.append("Band: acid dew point, by published correlations.")
    if not math.isfinite(water):
        parts.append("Dew points need gas_moisture (and gas_so3), as a tag or in the site file.")
    return " ".join(parts)
