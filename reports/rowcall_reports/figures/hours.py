"""Header recovery hour by hour, and the inlet temperature when it came near a limit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.model import BaghouseDay
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.dp import clock_axis, label_ends, shade_stops, title_axes
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.inlet import InletTag, near_limit
from rowcall_reports.prepared import PreparedDay

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Grid = npt.NDArray[np.float64]

_DARK_FROM = 0.72  # from this share of the scale white numbers read better than dark ones
_MAX_WRITTEN = 8  # more compartments than this are shaded only, numbers would crowd
_WIDTH_IN, _LEFT_IN, _RIGHT_IN, _LOW_IN, _TOP_IN = 8.4, 0.6, 1.35, 0.4, 0.3
_HEAT_IN, _GAP_IN = 1.8, 0.72
_QUICK: canvas.Color = (0.90, 0.95, 0.97)
_SLOW: canvas.Color = (0.12, 0.30, 0.48)


def draw_hours(baghouse: PreparedDay) -> Picture | None:
    """Return recovery by hour, with the temperature below it when near a limit, or None."""
    day, zone = baghouse.day, baghouse.zone
    strip, heat = recovery_by_hour(day), near_limit(day.baghouse, baghouse.inlet)
    with_strip = bool(np.isfinite(strip).any())
    if not with_strip and heat is None:
        return None
    strip_in = min(0.34 * len(strip), 3.0)
    heights = [_HEAT_IN] * (heat is not None) + [strip_in] * with_strip
    total = _LOW_IN + sum(heights) + _GAP_IN * (len(heights) - 1) + _TOP_IN
    figure = canvas.new_sheet(_WIDTH_IN, total)
    bottom, width = _LOW_IN, _WIDTH_IN - _LEFT_IN - _RIGHT_IN
    if heat is not None:
        _draw_heat(canvas.place_axes(figure, _LEFT_IN, bottom, width, _HEAT_IN), day, heat, zone)
        bottom += _HEAT_IN + _GAP_IN
    if with_strip:
        axes = canvas.place_axes(figure, _LEFT_IN, bottom, width, strip_in)
        _draw_strip(axes, day, strip, zone)
    return Picture(
        name=picture_name("recovery" if with_strip else "temperature", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(baghouse, strip, heat),
        caption=_caption(day, with_strip, heat),
    )


def recovery_by_hour(day: BaghouseDay) -> Grid:
    """Return seconds to recover 95 % of a drop: compartments down, hours of the day across."""
    hours = int(np.ceil(day.seconds / 3600))
    out = np.full((day.baghouse.compartments, hours), np.nan)
    for header, hour, recovery_s in day.hours.select(
        "compartment", "hour", "recovery_s"
    ).iter_rows():
        if 0 <= hour < hours:
            out[header - 1 if header else slice(None), hour] = recovery_s
    return out


def _draw_strip(axes: Axes, day: BaghouseDay, strip: Grid, zone: ZoneInfo) -> None:
    n, hours = strip.shape
    slowest = max(trade.RECOVERY_LONGEST.value, float(np.nanmax(strip)))
    part = np.clip(strip / slowest, 0, 1)[..., None]
    cells = np.asarray(_QUICK) * (1 - part) + np.asarray(_SLOW) * part
    cells[np.isnan(strip)] = 1.0
    axes.imshow(cells, extent=(0, hours, n + 0.5, 0.5), aspect="auto", interpolation="nearest")
    axes.vlines(np.arange(hours + 1), 0.5, n + 0.5, colors="white", linewidths=0.8)
    axes.hlines(np.arange(n + 1) + 0.5, 0, hours, colors="white", linewidths=0.8)
    if n <= _MAX_WRITTEN:
        for (row, hour), value in np.ndenumerate(strip):
            if np.isfinite(value):
                ink = "white" if value > _DARK_FROM * slowest else canvas.INK
                words = f"{value:.1f}" if value < 100 else f"{value:.0f}"
                axes.text(hour + 0.5, row + 1, words, ha="center", va="center", size=6.5, color=ink)
    clock_axis(axes, day, zone)
    axes.grid(visible=False)
    axes.set_yticks(range(1, n + 1), [f"C{number}" for number in range(1, n + 1)])
    axes.set_ylim(n + 0.5, 0.5)
    axes.set_title(
        "Seconds to recover 95 % of a pressure drop, by compartment and hour",
        loc="left",
        fontsize=9,
        weight="bold",
    )
    _write_medians(axes, strip)


def _write_medians(axes: Axes, strip: Grid) -> None:
    for row, values in enumerate(strip, start=1):
        if np.isfinite(values).any():
            axes.text(
                1.01,
                row,
                f"median {np.nanmedian(values):.1f} s",
                transform=axes.get_yaxis_transform(),
                va="center",
                size=7.5,
            )


def _draw_heat(axes: Axes, day: BaghouseDay, tag: InletTag, zone: ZoneInfo) -> None:
    heat = tag.minute_c
    hours = np.arange(heat.size) / 60
    low, high = day.baghouse.temperature_limits() or (np.nan, np.nan)
    shade_stops(axes, day)
    axes.fill_between(
        hours, low, heat, where=heat > low, facecolor=(0.93, 0.72, 0.55), hatch="////", linewidth=0
    )
    axes.plot(hours, heat, color=canvas.INK, linewidth=0.9)
    axes.axhline(low, color=canvas.RUST, linewidth=1.0, linestyle=(0, (5, 4)))
    axes.axhline(high, color=canvas.RUST, linewidth=1.4)
    bottom = float(np.nanpercentile(heat, 2))
    top = max(high, float(np.nanmax(heat)))
    axes.set_ylim(bottom - 0.1 * (top - bottom), top + 0.1 * (top - bottom))
    ends: list[tuple[float, str, canvas.Color]] = [
        (low, f"continuous {low:.0f} °C", canvas.RUST),
        (high, f"surge {high:.0f} °C", canvas.RUST),
    ]
    label_ends(axes, ends)
    clock_axis(axes, day, zone)
    title_axes(axes, f"Inlet temperature{_where(tag)}, °C", day)


def _where(tag: InletTag) -> str:
    return f", compartment {tag.compartment}" if tag.compartment else ""


def _alt(baghouse: PreparedDay, strip: Grid, heat: InletTag | None) -> str:
    day, parts = baghouse.day, []
    if np.isfinite(strip).any():
        row, hour = np.unravel_index(np.nanargmax(strip), strip.shape)
        begin = (day.start + timedelta(hours=int(hour))).astimezone(baghouse.zone)
        parts.append(
            f"Header recovery of {day.baghouse.id} by compartment and hour; the slowest was "
            f"{strip[row, hour]:.1f} s in compartment {int(row) + 1} in the hour from "
            f"{begin:%H:%M} on."
        )
    if heat is not None:
        shown = wording.celsius(heat.highest_c)
        parts.append(f"Inlet temperature of {day.baghouse.id}{_where(heat)}, at most {shown}.")
    return " ".join(parts)


def _caption(day: BaghouseDay, with_strip: bool, heat: InletTag | None) -> str:
    parts: Sequence[str] = [
        *(["header recovery by hour: the darker, the slower"] if with_strip else []),
        *([f"inlet temperature{_where(heat)} and its limits"] if heat is not None else []),
    ]
    return f"{day.baghouse.id}, " + "; ".join(parts) + "."
