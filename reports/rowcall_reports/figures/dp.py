"""The DP picture: the day minute by minute with its cycles, and the residual over months."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from rowcall.model import BaghouseDay, Fact, Floats
from rowcall.units import Scale
from rowcall_reports import fact_lookup, wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.prepared import PreparedDay

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_TREND_DAYS = 90  # chosen: blinding takes weeks; a quarter shows it
_MIN_TREND_DAYS = 3  # chosen: fewer points make no line
_SMOOTHED_DAYS = 7  # chosen: one week, so that weekdays and weekends are all in
_LABEL_APART_IN = 0.16  # height of a line of words
_RAN_OR_UNKNOWN = ("running", "unknown")
_DAY_IN, _TREND_IN = 1.7, 1.2  # heights; chosen: both fit half a page, the day weighs more


def draw_dp(baghouse: PreparedDay) -> Picture | None:
    """Return the DP picture, or None when there is neither a day's DP nor a trend."""
    day = baghouse.day
    dp, drag, changed = (
        fact_lookup.track(day, fact, _TREND_DAYS).filter(pl.col("value").is_finite())
        for fact in (Fact.RESIDUAL_DP_PA, Fact.RESIDUAL_DRAG, Fact.DP_CHANGED_S)
    )
    changes = [(shown - day.day).days for shown in changed["day"]]
    with_trend, with_drag = (one.height >= _MIN_TREND_DAYS for one in (dp, drag))
    with_day = "dp_pa" in day.minutes.columns and day.minutes["dp_pa"].is_not_null().any()
    if not (with_day or with_trend):
        return None
    trends = [_TREND_IN] * (with_trend + with_drag)
    figure, axes = canvas.stacked_axes([*trends, *[_DAY_IN] * with_day])
    if with_drag:
        scale = day.units.drag
        words = f"Residual drag by day, {scale.words}"
        _draw_trend(axes[0], day, drag, scale, (words, None, changes))
    if with_trend:
        scale = day.units.dp
        words = f"Residual DP by day, not corrected for flow, {scale.words}"
        limit = day.baghouse.residual_dp_limit
        _draw_trend(axes[with_drag], day, dp, scale, (words, limit, changes))
    if with_day:
        _draw_day(axes[-1], day)
    return Picture(
        name=picture_name("dp", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(day, dp, with_day, with_trend),
        caption=_caption(day, dp, with_day, with_trend)
        + ("" if not with_drag else " Lowest: drag, DP over face velocity.")
        + ("" if not changes else " Triangles: days on which the level of DP changed."),
    )


def _draw_day(axes: Axes, day: BaghouseDay) -> None:
    hours = day.minutes["minute"].to_numpy() / 60
    scale = day.units.dp
    dp = scale.of(day.minutes["dp_pa"].to_numpy())
    shade_stops(axes, day)
    axes.plot(hours, dp, color=canvas.PALE_INK, linewidth=0.7)
    levels = [("residual_dp_pa", canvas.BLUE, "residual"), ("peak_dp_pa", canvas.RUST, "peak")]
    top = float(np.nanmax(dp))
    ends: list[tuple[float, str, canvas.Color]] = []
    for name, color, words in levels:
        cycles = shown_cycles(day, name)
        if cycles.is_empty():
            continue
        value = scale.of(cycles[name].to_numpy())
        start, end = cycles["start_s"].to_numpy() / 3600, cycles["end_s"].to_numpy() / 3600
        axes.hlines(value, start, end, colors=[color], linewidths=1.8)
        top = max(top, float(value.max()))
        ends.append((float(value[-1]), words, color))
    if day.baghouse.cleaning.mode == "on_demand":
        cleaning = day.baghouse.cleaning
        for pascal, words in ((cleaning.start_dp, "start"), (cleaning.stop_dp, "stop")):
            at = scale.of(pascal)
            axes.axhline(at, color=canvas.INK, linewidth=0.8, linestyle=canvas.DASHES)
            ends.append((at, f"{words} {scale.number(pascal)}", canvas.INK))
            top = max(top, at)
    axes.set_ylim(0, top * 1.12)
    label_ends(axes, ends)
    title_axes(axes, f"DP through the day, {scale.words}", day)
    clock_axis(axes, day)


def shown_cycles(day: BaghouseDay, name: str) -> pl.DataFrame:
    """Return the cycles while running that have a residual or peak DP of this name."""
    if day.cycles.is_empty():
        return day.cycles
    return day.cycles.filter(pl.col("state_running") & pl.col(name).is_finite())


def _draw_trend(
    axes: Axes,
    day: BaghouseDay,
    trend: pl.DataFrame,
    scale: Scale,
    about: tuple[str, float | None, Sequence[int]],
) -> None:
    """Draw a course of days; about: its title, its limit, the days on which DP changed."""
    title, limit, changes = about
    ago = np.array([(shown - day.day).days for shown in trend["day"]], dtype=float)
    value = scale.of(trend["value"].to_numpy())
    smooth = _running_median(ago, value)
    axes.plot(ago, value, "o", markersize=2.6, color=canvas.PALE_INK, markeredgewidth=0)
    axes.plot(ago, smooth, color=canvas.BLUE, linewidth=1.6)
    ends: list[tuple[float, str, canvas.Color]] = [(smooth[-1], "7-day med.", canvas.BLUE)]
    low, high = float(value.min()), float(value.max())
    if limit is not None:
        at = scale.of(limit)
        axes.axhline(at, color=canvas.INK, linewidth=1.0, linestyle=canvas.DASHES)
        ends.append((at, f"limit {scale.number(limit)}", canvas.INK))
        high = max(high, at)
    margin = max(0.1 * (high - low), 0.02 * high)
    axes.set_ylim(low - margin, high + margin)
    axes.set_xlim(min(float(ago[0]), -7.0) - 0.5, 0.5)
    label_ends(axes, ends)
    weeks = np.arange(0, -ago[0] + 0.1, 28 if -ago[0] > 40 else 7)
    shown = [day.day - timedelta(days=int(back)) for back in weeks]
    axes.set_xticks(-weeks, ["today", *(wording.day_in_sentence(when, when) for when in shown[1:])])
    axes.grid(axis="y", color=canvas.GRID, linewidth=0.6)
    place = axes.get_xaxis_transform()
    axes.plot(changes, [0.97] * len(changes), "v", color=canvas.INK, markersize=5, transform=place)
    canvas.write_title(axes, title)


def _running_median(ago: Floats, value: Floats) -> Floats:
    return np.array(
        [float(np.median(value[(ago > when - _SMOOTHED_DAYS) & (ago <= when)])) for when in ago]
    )


def title_axes(axes: Axes, title: str, day: BaghouseDay) -> None:
    """Write the title of a picture over the day, and what its grey spans mean."""
    canvas.write_title(axes, title)
    if has_stops(day):
        axes.set_title("grey: off", loc="right", fontsize=canvas.SIZE_PT)


def clock_axis(axes: Axes, day: BaghouseDay) -> None:
    """Label hours from day start with plant-local clock time, right on days of 23 or 25 h."""
    length = day.seconds / 3600
    ticks = np.arange(0, length + 0.01, 6)
    moments = [(day.start + timedelta(hours=float(hour))).astimezone(day.zone) for hour in ticks]
    axes.set_xlim(0, length)
    axes.set_xticks(ticks, [f"{moment:%H:%M}" for moment in moments])
    axes.grid(axis="y", color=canvas.GRID, linewidth=0.6)


def shade_stops(axes: Axes, day: BaghouseDay) -> None:
    """Grey the time in which the unit did not run."""
    if not has_stops(day):
        return
    away = (~day.minutes["state"].is_in(_RAN_OR_UNKNOWN)).to_numpy()
    hours = day.minutes["minute"].to_numpy() / 60
    axes.fill_between(
        hours,
        0,
        1,
        where=away,
        step="post",
        transform=axes.get_xaxis_transform(),
        facecolor=(0.90, 0.90, 0.90),
        linewidth=0,
    )


def has_stops(day: BaghouseDay) -> bool:
    """Return whether there is time in which the unit did not run."""
    if "state" not in day.minutes.columns:
        return False
    return not day.minutes["state"].is_in(_RAN_OR_UNKNOWN).all()


def label_ends(axes: Axes, ends: Sequence[tuple[float, str, canvas.Color]]) -> None:
    """Write each line's name at its right end, moved apart where they would overlap."""
    low, high = axes.get_ylim()
    tall_in = axes.get_window_extent().height / canvas.DPI
    apart = _LABEL_APART_IN * (high - low) / tall_in
    ordered = sorted(ends)
    places = _spread([value for value, *_ in ordered], apart)
    for y, (_, words, color) in zip(places, ordered, strict=True):
        canvas.write_beside(axes, y, words, color)


def _spread(values: Sequence[float], apart: float) -> list[float]:
    """Move rising values up and down alike until neighbours are `apart`."""
    groups: list[tuple[float, int]] = []  # centre, members
    for value in values:
        centre, members = value, 1
        while groups and centre - groups[-1][0] < apart * (members + groups[-1][1]) / 2:
            before, n = groups.pop()
            centre = (before * n + centre * members) / (n + members)
            members += n
        groups.append((centre, members))
    return [
        centre + apart * (k - (members - 1) / 2)
        for centre, members in groups
        for k in range(members)
    ]


def _alt(day: BaghouseDay, trend: pl.DataFrame, with_day: bool, with_trend: bool) -> str:
    parts, show = [f"DP of {day.baghouse.id}."], day.units.dp.show
    if with_day:
        dp = day.minutes["dp_pa"].drop_nulls()
        low, high = float(dp.min()), float(dp.max())  # type: ignore[arg-type]
        parts.append(f"Over the day from {show(low)} to {show(high)}.")
    if with_trend:
        first, last = trend.row(0, named=True), trend.row(-1, named=True)
        parts.append(
            f"Residual DP, not corrected for flow, {show(first['value'])} on "
            f"{wording.day_in_sentence(first['day'], day.day)} and "
            f"{show(last['value'])} on "
            f"{wording.day_in_sentence(last['day'], day.day)}."
        )
    return " ".join(parts)


def _caption(day: BaghouseDay, trend: pl.DataFrame, with_day: bool, with_trend: bool) -> str:
    parts = []
    if with_day:
        parts.append("DP by minute with the residual and peak DP of each cleaning cycle")
    if with_trend:
        span = (day.day - trend["day"][0]).days + 1
        parts.append(f"residual DP, not corrected for flow, over the last {span} days")
    return f"{day.baghouse.id}, " + "; below, ".join(parts) + "."
