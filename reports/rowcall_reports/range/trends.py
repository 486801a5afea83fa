"""Trends of a range, per baghouse: a table by day or week, and a picture."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import polars as pl

from rowcall.model import Fact
from rowcall.units import Scale, Units
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture, picture_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MIN_DAYS = 3  # of a picture; chosen: fewer points make no line
_MAX_LINES = 31  # of a table by day; chosen: a month, longer ranges go by week
# Chosen by eye: all trends of a baghouse fit on a page.
_HEIGHT_IN, _GAP_IN, _LOW_IN = 0.75, 0.35, 0.35
_LEFT_IN, _RIGHT_IN = 0.65, 1.35
_MOST_MARKED, _MOST_WITH_YEARS = 4, 2  # days that have room below; some with their years


@dataclass(frozen=True, slots=True)
class Trend:
    """A fact as a trend: its words, and how it is written.

    over_headers: `sum` or `max` of those of all headers; '' for a fact of the baghouse.
    """

    fact: Fact
    words: str
    scale_of: wording.ScaleOf
    over_headers: str = ""

    def title(self, units: Units) -> str:
        """Return words and unit."""
        return f"{self.words}, {self.scale_of(units).words}".rstrip(", ")


TRENDS = (
    Trend(Fact.RESIDUAL_DP_PA, "Residual DP", lambda units: units.dp),
    Trend(Fact.RESIDUAL_DRAG, "Residual drag", lambda units: units.drag),
    Trend(Fact.CYCLE_TIME_S, "Cycle time", wording.fixed("min", 1, 60.0)),
    Trend(Fact.N_PULSES, "Pulses a day", wording.fixed("", 0)),
    Trend(Fact.FREE_AIR_DAY_M3, "Free air a day", lambda units: units.air, over_headers="sum"),
    Trend(
        Fact.RECOVERY_S, "Recovery of the slowest header", wording.fixed("s", 1), over_headers="max"
    ),
)


def trend_table(facts: pl.DataFrame, baghouse: str) -> pl.DataFrame:
    """Return `day` and a column a trend that has values (inside unit, null where none).

    facts: columns `FACTS`.
    """
    own = facts.filter(pl.col("baghouse") == baghouse, pl.col("value").is_finite())
    table = own.select("day").unique().sort("day")
    for trend in TRENDS:
        lines = own.filter(pl.col("name") == trend.fact.column)
        value = pl.col("value").max() if trend.over_headers == "max" else pl.col("value").sum()
        if not trend.over_headers:
            lines = lines.filter(pl.col("compartment") == 0)
        if lines.height:
            daily = lines.group_by("day").agg(value.alias(trend.fact.column))
            table = table.join(daily, on="day", how="left", maintain_order="left")
    return table


def write_trends(table: pl.DataFrame, units: Units) -> str:
    """Return trends as Markdown, '' without any: by day, or medians by week of a long range."""
    trends = _trends_of(table)
    if not trends:
        return ""
    head, lines = "Day", table
    if table.height > _MAX_LINES:
        head = "Week from (medians)"
        lines = table.group_by(pl.col("day").dt.truncate("1w")).median().sort("day")
    rows = [
        [
            line["day"].isoformat(),
            *(_number(line[one.fact.column], one.scale_of(units)) for one in trends),
        ]
        for line in lines.iter_rows(named=True)
    ]
    heads = [head, *(one.title(units) for one in trends)]
    return wording.table(heads, rows, range(1, len(heads)))


def _number(value: float | None, scale: Scale) -> str:
    return wording.NO_VALUE if value is None else scale.number(value)


def _trends_of(table: pl.DataFrame) -> list[Trend]:
    return [trend for trend in TRENDS if trend.fact.column in table.columns]


def draw_trends(
    table: pl.DataFrame, span: tuple[date, date], kind: str, baghouse: str, units: Units
) -> Picture | None:
    """Return the trends above each other, None where there are too few days.

    Args:
        span: first and last day of the range.
        kind: of the picture, in its name.
    """
    trends = _trends_of(table)
    if table.height < MIN_DAYS or not trends:
        return None
    step = _HEIGHT_IN + _GAP_IN
    figure = canvas.new_sheet(canvas.PAGE_IN, _LOW_IN + step * len(trends))
    width = canvas.PAGE_IN - _LEFT_IN - _RIGHT_IN
    for n, trend in enumerate(reversed(trends)):
        axes = canvas.place_axes(figure, _LEFT_IN, _LOW_IN + n * step, width, _HEIGHT_IN)
        _draw_trend(axes, table, trend, span, units)
        label_days(axes, span, with_names=not n)
    titles = "; ".join(trend.words for trend in trends)
    return Picture(
        picture_name(kind, baghouse),
        canvas.to_png(figure),
        f"Trends of {baghouse}.",
        f"{baghouse} by day: {titles}.",
    )


def _draw_trend(
    axes: Axes, table: pl.DataFrame, trend: Trend, span: tuple[date, date], units: Units
) -> None:
    own = table.select("day", pl.col(trend.fact.column).alias("value")).drop_nulls()
    scale = trend.scale_of(units)
    value = scale.of(own["value"].to_numpy())
    n_day = [(day - span[0]).days for day in own["day"]]
    axes.plot(n_day, value, "o-", color=canvas.BLUE, markersize=2.6, linewidth=1.2)
    low, high = float(value.min()), float(value.max())
    margin = max(0.15 * (high - low), 0.02 * abs(high), 1e-9)
    axes.set_ylim(low - margin, high + margin)
    last = scale.show(float(own["value"][-1]))
    canvas.write_beside(axes, float(value[-1]), f"last {last}", canvas.BLUE)
    axes.grid(axis="y", color=canvas.GRID, linewidth=0.6)
    canvas.write_title(axes, trend.title(units))


def label_days(axes: Axes, span: tuple[date, date], *, with_names: bool = True) -> None:
    """Mark days from the first of a range, as many as there is room for."""
    n_days = (span[1] - span[0]).days
    has_years = span[0].year != span[1].year
    most = _MOST_WITH_YEARS if has_years else _MOST_MARKED
    ticks = range(0, n_days + 1, -(-(n_days + 1) // most))
    names = [wording.day_in_sentence(span[0] + timedelta(days=n), span[1]) for n in ticks]
    axes.set_xlim(-0.5, n_days + 0.5)
    side = "left" if has_years else "center"  # else the first one would stick out
    axes.set_xticks(ticks, names if with_names else [""] * len(names), ha=side)
