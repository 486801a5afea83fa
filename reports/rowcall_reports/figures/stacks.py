"""The stacked pulses of each faulty row, against its peers': one panel a row.

Time runs as its square root: a valve moves within tenths of a second, a refill takes ten.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from rowcall.model import BaghouseDay
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.figures.row_panels import Panel, panels
from rowcall_reports.prepared import PreparedDay

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_ERRORS = 2.0  # standard errors that a bar reaches to either side
_MAX_ACROSS = 2  # chosen: at half of the page a panel's ticks still stand apart
# Chosen by eye: about a panel room for its ticks, title and axis label.
_LEFT_IN, _RIGHT_IN, _GAP_IN, _HEAD_IN, _FOOT_IN = 0.3, 0.06, 0.3, 0.45, 0.38
_PANEL_IN = 1.3  # height of a panel; chosen: about as high as wide
_TOP_IN = 0.18  # of what the axes are, above all panels
_BAND: canvas.Color = (0.74, 0.79, 0.85)
_TICKS_S = (0.0, 1.0, 3.0, 10.0, 20.0)  # chosen: about evenly apart as square roots


def draw_stacks(baghouse: PreparedDay) -> Picture | None:
    """Return the picture, or None when no row with a finding has a stack."""
    day, shown = baghouse.day, panels(baghouse)
    if not shown:
        return None
    across = min(len(shown), _MAX_ACROSS)
    lines = -(-len(shown) // across)
    step = (canvas.PAGE_IN - _LEFT_IN - _RIGHT_IN + _GAP_IN) / across
    width = step - _GAP_IN
    tall = _HEAD_IN + _PANEL_IN + _FOOT_IN
    figure = canvas.new_sheet(canvas.PAGE_IN, lines * tall + _TOP_IN)
    for number, panel in enumerate(shown):
        line, column = divmod(number, across)
        left = _LEFT_IN + column * step
        bottom = (lines - 1 - line) * tall + _FOOT_IN
        axes = canvas.place_axes(figure, left, bottom, width, _PANEL_IN)
        _draw_panel(axes, panel, day.row_word(panel.compartment))
    words = "drop, % of gauge pressure, by seconds after the pulse"
    figure.text(0.02, 0.995, words, va="top", transform=figure.transFigure)
    return Picture(
        name=picture_name("stacks", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(day, shown),
        caption=_caption(day, shown),
    )


def _draw_panel(axes: Axes, panel: Panel, word: str) -> None:
    since = panel.since_s
    axes.fill_between(since, panel.low, panel.high, color=_BAND, linewidth=0)
    axes.plot(since, panel.usual, color=canvas.PALE_INK, linewidth=1.0, linestyle=(0, (4, 2)))
    axes.errorbar(
        since,
        panel.drop,
        yerr=_ERRORS * panel.error,
        color=canvas.INK,
        linewidth=1.0,
        elinewidth=0.8,
        marker="o",
        markersize=2.8,
    )
    deepest = float(np.nanmax(np.concatenate((panel.drop, panel.usual, panel.high))))
    highest = min(0.0, float((panel.drop - _ERRORS * panel.error).min()))
    axes.set_ylim(1.18 * deepest, highest - 0.04 * deepest)  # downwards, as the pressure goes
    axes.set_xscale(
        "function", functions=(lambda time_s: np.sqrt(np.maximum(time_s, 0.0)), np.square)
    )
    axes.set_xticks([tick for tick in _TICKS_S if tick <= since.max()])
    axes.xaxis.set_major_formatter("{x:g}")
    axes.set_xlim(0.0, float(since.max()) * 1.03)
    axes.axhline(0.0, color=canvas.GRID, linewidth=0.7, zorder=0)
    _mark_closing(axes, panel.close_s, canvas.PALE_INK, "none")
    if np.isfinite(panel.late_s):
        _mark_closing(axes, panel.close_s + panel.late_s, canvas.INK, canvas.INK)
    axes.tick_params(pad=2)
    axes.locator_params(axis="y", nbins=5)
    place = f"C{panel.compartment}, {word} {panel.row}"
    canvas.write_title(axes, f"{place}:\n{panel.mark.words}")


def _mark_closing(axes: Axes, at_s: float, edge: canvas.Color, face: canvas.Color | str) -> None:
    """Mark an instant above the panel, open or filled, with a thin line down."""
    axes.axvline(at_s, color=edge, linewidth=0.6, linestyle=(0, (1, 2)))
    axes.plot(
        [at_s],
        [1.0],
        marker="v",
        markersize=5,
        markerfacecolor=face,
        markeredgecolor=edge,
        transform=axes.get_xaxis_transform(),
        clip_on=False,
        linestyle="none",
    )


def _caption(day: BaghouseDay, shown: Sequence[Panel]) -> str:
    late = any(np.isfinite(panel.late_s) for panel in shown)
    return (
        f"{day.baghouse.id}: all pulses of a row stacked. Dots: its mean drop, with "
        f"{_ERRORS:.0f} standard errors by the scatter of this header's points. Dashed: the mean "
        "of its peers; band: from the lowest to the highest of its healthy peers. Open "
        "triangle: the peers' valves close"
        + ("; full triangle: this valve closes." if late else ".")
    )


def _alt(day: BaghouseDay, shown: Sequence[Panel]) -> str:
    parts = []
    for panel in shown:
        word = day.row_word(panel.compartment)
        place = wording.places([(panel.compartment, panel.row)], word)
        parts.append(
            f"{place} ({panel.mark.words}): deepest {panel.drop.max():.0f} % of gauge pressure, "
            f"its peers {panel.usual.max():.0f} %"
        )
    return f"Stacked pulses of {day.baghouse.id}: {'; '.join(parts)}."
