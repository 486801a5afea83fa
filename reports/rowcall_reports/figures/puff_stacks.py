"""Dust after the pulses of each row that leaks, stacked, against the other rows."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import islice
from typing import TYPE_CHECKING

import polars as pl

from rowcall.diagnosis.dust_words import dust_role, dust_unit, name_of, show_dust
from rowcall.model import Chapter, Fact, Verdict
from rowcall.units import symbol
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.prepared import PreparedDay

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Place = tuple[int, int]
_MAX_PANELS = 3  # chosen: more leaks than that are planned as one job
_ERRORS = 2.0  # standard errors that a bar reaches to either side
_PANEL_IN = 1.3


def draw_puffs(baghouse: PreparedDay) -> Picture | None:
    """Return the picture, or None when no row that leaks has a stack."""
    day, shown = baghouse.day, leaking_rows(baghouse)
    if not shown:
        return None
    role = dust_role(baghouse.facts)
    figure, axes = canvas.stacked_axes([_PANEL_IN] * len(shown))
    for one, place in zip(reversed(axes), shown, strict=True):
        _draw_panel(one, baghouse, place)
    peaks = "; ".join(
        f"{wording.places([place], day.row_word(place[0]))}: "
        f"{show_dust(day, role, baghouse.facts.of(Fact.PUFF, *place))}"
        for place in shown
    )
    usual = show_dust(day, role, baghouse.facts.of(Fact.PUFF))
    return Picture(
        name=picture_name("puffs", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=f"Puffs after pulses of {day.baghouse.id}: {peaks}; the median row {usual}.",
        caption=f"{day.baghouse.id}: {name_of(role)} above its base after all pulses of a row, "
        f"stacked, puffs of other pulses taken out. Dots: its mean, with {_ERRORS:.0f} standard "
        "errors. Dashed: the median of the other rows.",
    )


def leaking_rows(baghouse: PreparedDay) -> Sequence[Place]:
    """Return the rows with a finding of dust that have a stack, the most urgent first."""
    rules = {rule.name for rule in baghouse.rules if rule.chapter is Chapter.DUST}
    stacked = set(baghouse.day.puffs.select("compartment", "row").unique().iter_rows())
    found = (
        (one.answer.subject.compartment, one.answer.subject.row)
        for job in baghouse.jobs
        for one in job.findings
        if one.rule in rules and one.answer.verdict is Verdict.FOUND
    )
    return list(islice(dict.fromkeys(place for place in found if place in stacked), _MAX_PANELS))


def _draw_panel(axes: Axes, baghouse: PreparedDay, place: Place) -> None:
    day = baghouse.day
    unit = dust_unit(day, dust_role(baghouse.facts))
    mine = day.puffs.filter(pl.col("compartment") == place[0], pl.col("row") == place[1])
    mine = mine.filter(pl.col("mean").is_finite()).sort("since_s")
    since, mean, error, usual = (
        mine[name].to_numpy() / (1.0 if name == "since_s" else unit.factor)
        for name in ("since_s", "mean", "error", "usual")
    )
    axes.axhline(0.0, color=canvas.GRID, linewidth=0.7, zorder=0)
    axes.plot(since, usual, color=canvas.PALE_INK, linewidth=1.0, linestyle=(0, (4, 2)))
    axes.errorbar(
        since,
        mean,
        yerr=_ERRORS * error,
        color=canvas.INK,
        linewidth=1.0,
        elinewidth=0.8,
        marker="o",
        markersize=2.8,
    )
    axes.set_xlim(0.0, float(since.max()) * 1.03)
    axes.locator_params(axis="y", nbins=5)
    where = f"C{place[0]}, {day.row_word(place[0])} {place[1]}"
    canvas.write_title(axes, f"{where}: dust, {symbol(unit.code)}, by s after the pulse")
