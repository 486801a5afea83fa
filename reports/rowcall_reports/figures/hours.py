"""Header recovery hour by hour, and the inlet temperature when it came near a limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from rowcall import trade
from rowcall.model import BaghouseDay, Floats
from rowcall_reports.figures import canvas
from rowcall_reports.figures.dp import clock_axis, label_ends, shade_stops, title_axes
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.inlet import InletTag, near_limit
from rowcall_reports.prepared import PreparedDay

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_HEAT_IN = (
    1.8  # height of the temperature; chosen: less than that of DP, of which all days have one
)
_LINE_IN = 0.2  # of a compartment: a line of words
_QUICK: canvas.Color = (0.90, 0.95, 0.97)
_SLOW: canvas.Color = (0.12, 0.30, 0.48)


def draw_hours(baghouse: PreparedDay) -> Picture | None:
    """Return recovery by hour, with the temperature below it when near a limit, or None."""
    day = baghouse.day
    strip, heat = recovery_by_hour(day), near_limit(day.baghouse, baghouse.inlet)
    with_strip = bool(np.isfinite(strip).any())
    if not with_strip and heat is None:
        return None
    strip_in = _LINE_IN * len(strip)
    figure, axes = canvas.stacked_axes([_HEAT_IN] * (heat is not None) + [strip_in] * with_strip)
    if heat is not None:
        _draw_heat(axes[0], day, heat)
    if with_strip:
        _draw_strip(axes[-1], day, strip)
    return Picture(
        name=picture_name("recovery" if with_strip else "temperature", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(day, strip, heat),
        caption=_caption(day, with_strip, heat),
    )


def recovery_by_hour(day: BaghouseDay) -> Floats:
    """Return seconds to recover 95 % of a drop: compartments down, hours of the day across."""
    hours = int(np.ceil(day.seconds / 3600))
    out = np.full((day.baghouse.compartments, hours), np.nan)
    for header, hour, recovery_s in day.hours.select(
        "compartment", "hour", "recovery_s"
    ).iter_rows():
        if 0 <= hour < hours:
            out[header - 1 if header else slice(None), hour] = recovery_s
    return out


def _draw_strip(axes: Axes, day: BaghouseDay, strip: Floats) -> None:
    n, hours = strip.shape
    slowest = max(trade.RECOVERY_LONGEST.value, float(np.nanmax(strip)))
    part = np.clip(strip / slowest, 0, 1)[..., None]
    cells = np.asarray(_QUICK) * (1 - part) + np.asarray(_SLOW) * part
    cells[np.isnan(strip)] = 1.0
    axes.imshow(cells, extent=(0, hours, n + 0.5, 0.5), aspect="auto", interpolation="nearest")
    axes.vlines(np.arange(hours + 1), 0.5, n + 0.5, colors="white", linewidths=0.8)
    axes.hlines(np.arange(n + 1) + 0.5, 0, hours, colors="white", linewidths=0.8)
    clock_axis(axes, day)
    axes.grid(visible=False)
    axes.set_yticks(range(1, n + 1), [f"C{number}" for number in range(1, n + 1)])
    axes.set_ylim(n + 0.5, 0.5)
    canvas.write_title(axes, "Seconds to recover 95 % of a drop")
    for row, values in enumerate(strip, start=1):
        if np.isfinite(values).any():
            canvas.write_beside(axes, row, f"{np.nanmedian(values):.1f} / {np.nanmax(values):.1f}")


def _draw_heat(axes: Axes, day: BaghouseDay, tag: InletTag) -> None:
    scale, limits_c = day.units.temperature, day.baghouse.temperature_limits() or (np.nan, np.nan)
    heat = scale.of(tag.minute_c)
    hours = np.arange(heat.size) / 60
    low, high = map(scale.of, limits_c)
    shade_stops(axes, day)
    axes.fill_between(
        hours, low, heat, where=heat > low, facecolor=(0.93, 0.72, 0.55), hatch="////", linewidth=0
    )
    axes.plot(hours, heat, color=canvas.INK, linewidth=0.9)
    axes.axhline(low, color=canvas.RUST, linewidth=1.0, linestyle=canvas.DASHES)
    axes.axhline(high, color=canvas.RUST, linewidth=1.4)
    bottom = float(np.nanpercentile(heat, 2))
    top = max(high, float(np.nanmax(heat)))
    axes.set_ylim(bottom - 0.1 * (top - bottom), top + 0.1 * (top - bottom))
    ends: list[tuple[float, str, canvas.Color]] = [
        (low, f"limit {scale.number(limits_c[0])}", canvas.RUST),
        (high, f"surge {scale.number(limits_c[1])}", canvas.RUST),
    ]
    label_ends(axes, ends)
    clock_axis(axes, day)
    title_axes(axes, f"Inlet {scale.words}{_where(tag)}", day)


def _where(tag: InletTag) -> str:
    return f", compartment {tag.compartment}" if tag.compartment else ""


def _alt(day: BaghouseDay, strip: Floats, heat: InletTag | None) -> str:
    parts = []
    if np.isfinite(strip).any():
        row, hour = np.unravel_index(np.nanargmax(strip), strip.shape)
        parts.append(
            f"Header recovery of {day.baghouse.id} by compartment and hour; the slowest was "
            f"{strip[row, hour]:.1f} s in compartment {int(row) + 1} in the hour from "
            f"{day.clock(int(hour))} on."
        )
    if heat is not None:
        shown = day.units.temperature.show(heat.highest_c)
        parts.append(f"Inlet temperature of {day.baghouse.id}{_where(heat)}, at most {shown}.")
    return " ".join(parts)


def _caption(day: BaghouseDay, with_strip: bool, heat: InletTag | None) -> str:
    parts = []
    if with_strip:
        parts.append("header recovery by compartment and hour: the darker, the slower")
        parts.append("at the right the median and the slowest hour")
    if heat is not None:
        parts.append(f"inlet temperature{_where(heat)} and its limits")
    return f"{day.baghouse.id}, " + "; ".join(parts) + "."
