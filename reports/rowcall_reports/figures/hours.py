"""Header recovery hour by hour, and the inlet temperature when it came near a limit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from rowcall import trade
from rowcall.model import BaghouseDay
from rowcall_reports import fact_lookup, wording
from rowcall_reports.chapters.one_baghouse import RECOVERY_TIMES_TAU
from rowcall_reports.figures import canvas
from rowcall_reports.figures.dp import clock_axis, label_ends, shade_stops, title_axes
from rowcall_reports.figures.picture import Picture, picture_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Grid = npt.NDArray[np.float64]

_NEAR_C = 10.0  # chosen: closer than this to the continuous limit is worth a picture
_DARK_FROM = 0.72  # from this share of the scale white numbers read better than dark ones
_MOST_WRITTEN = 8  # more compartments than this are shaded only, numbers would crowd
_WIDTH_IN, _LEFT_IN, _RIGHT_IN, _LOW_IN, _TOP_IN = 8.4, 0.6, 1.35, 0.4, 0.3
_HEAT_IN, _GAP_IN = 1.8, 0.72
_QUICK: canvas.Color = (0.90, 0.95, 0.97)
_SLOW: canvas.Color = (0.12, 0.30, 0.48)


def draw_hours(day: BaghouseDay, zone: ZoneInfo) -> Picture | None:
    """Return recovery by hour, with the temperature below it when near a limit, or None."""
    strip = recovery_by_hour(day)
    with_strip, with_heat = bool(np.isfinite(strip).any()), is_near_limit(day)
    if not (with_strip or with_heat):
        return None
    strip_in = min(0.34 * len(strip), 3.0)
    heights = [_HEAT_IN] * with_heat + [strip_in] * with_strip
    total = _LOW_IN + sum(heights) + _GAP_IN * (len(heights) - 1) + _TOP_IN
    figure = canvas.new_sheet(_WIDTH_IN, total)
    bottom, width = _LOW_IN, _WIDTH_IN - _LEFT_IN - _RIGHT_IN
    if with_heat:
        _draw_heat(canvas.place_axes(figure, _LEFT_IN, bottom, width, _HEAT_IN), day, zone)
        bottom += _HEAT_IN + _GAP_IN
    if with_strip:
        axes = canvas.place_axes(figure, _LEFT_IN, bottom, width, strip_in)
        _draw_strip(axes, day, strip, zone)
    return Picture(
        name=picture_name("recovery" if with_strip else "temperature", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(day, strip, with_strip, with_heat),
        caption=_caption(day, with_strip, with_heat),
    )


def recovery_by_hour(day: BaghouseDay) -> Grid:
    """Return seconds to make good 95 % of a drop: compartments down, hours of the day across."""
    hours = int(np.ceil(day.seconds / 3600))
    out = np.full((day.baghouse.compartments, hours), np.nan)
    for (name, compartment, _row), value in fact_lookup.today(day).items():
        hour = name.removeprefix("tau_s_h")
        if hour == name or not hour.isdigit():
            continue
        if int(hour) < hours and 0 < compartment <= len(out):
            out[compartment - 1, int(hour)] = RECOVERY_TIMES_TAU * value
    return out


def is_near_limit(day: BaghouseDay) -> bool:
    """Return whether the inlet temperature came near its continuous limit."""
    limits = day.baghouse.temperature_limits()
    column = "inlet_temperature_c"
    if limits is None or column not in day.minutes.columns:
        return False
    return bool((day.minutes[column] > limits[0] - _NEAR_C).any())


def _draw_strip(axes: Axes, day: BaghouseDay, strip: Grid, zone: ZoneInfo) -> None:
    n, hours = strip.shape
    slowest = max(trade.RECOVERY_LONGEST.value, float(np.nanmax(strip)))
    part = np.clip(strip / slowest, 0, 1)[..., None]
    cells = np.asarray(_QUICK) * (1 - part) + np.asarray(_SLOW) * part
    cells[np.isnan(strip)] = 1.0
    axes.imshow(cells, extent=(0, hours, n + 0.5, 0.5), aspect="auto", interpolation="nearest")
    axes.vlines(np.arange(hours + 1), 0.5, n + 0.5, colors="white", linewidths=0.8)
    axes.hlines(np.arange(n + 1) + 0.5, 0, hours, colors="white", linewidths=0.8)
    if n <= _MOST_WRITTEN:
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
        "Seconds until 95 % of a drop is made good, by compartment and hour",
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


def _draw_heat(axes: Axes, day: BaghouseDay, zone: ZoneInfo) -> None:
    hours = day.minutes["minute"].to_numpy() / 60
    heat = day.minutes["inlet_temperature_c"].to_numpy().astype(float)
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
    title_axes(axes, "Inlet temperature, °C", day)


def _alt(day: BaghouseDay, strip: Grid, with_strip: bool, with_heat: bool) -> str:
    parts = []
    if with_strip:
        row, hour = np.unravel_index(np.nanargmax(strip), strip.shape)
        parts.append(
            f"Header recovery of {day.baghouse.id} by compartment and hour; the slowest hour was "
            f"hour {int(hour)} in compartment {int(row) + 1} with {strip[row, hour]:.1f} s."
        )
    if with_heat:
        highest = day.minutes["inlet_temperature_c"].max()
        shown = wording.celsius(float(highest))  # type: ignore[arg-type]
        parts.append(f"Inlet temperature of {day.baghouse.id}, at most {shown}.")
    return " ".join(parts)


def _caption(day: BaghouseDay, with_strip: bool, with_heat: bool) -> str:
    parts: Sequence[str] = [
        *(["header recovery by hour: the darker, the slower"] if with_strip else []),
        *(["inlet temperature and its limits"] if with_heat else []),
    ]
    return f"{day.baghouse.id}, " + "; ".join(parts) + "."
