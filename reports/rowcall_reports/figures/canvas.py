"""The drawing surface: the only place that loads matplotlib, and it does so late.

Figures are made without pyplot (no global state) on the defaults of the library, whatever the
user's own settings are, so that the same day gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path as Outline

Color = tuple[float, float, float]

DPI = 200  # chosen: sharp at the width of a page, and a mail of ten pictures stays below 1 MB
# Chosen together: on a telephone 390 px wide the smallest letters are 11 px high. All words of a
# picture are of this size.
PAGE_IN, SIZE_PT = 4.0, 9.0
# Chosen by eye, for axes over the day: the hours' labels below, the lines' names at the right, the
# titles above.
_LEFT_IN, _RIGHT_IN, _LOW_IN, _GAP_IN, _TOP_IN = 0.4, 0.82, 0.25, 0.6, 0.28
DASHES = (0, (5, 4))  # of set points and limits: points on, points off
INK: Color = (0.10, 0.10, 0.12)
PALE_INK: Color = (0.42, 0.42, 0.45)
GRID: Color = (0.86, 0.86, 0.88)
BLUE: Color = (0.12, 0.36, 0.58)
RUST: Color = (0.70, 0.30, 0.05)
_SETTINGS: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],  # comes with matplotlib, so it is the same everywhere
    "font.size": SIZE_PT,
    "axes.edgecolor": PALE_INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "xtick.color": PALE_INK,
    "ytick.color": PALE_INK,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "axes.grid": False,
    "axes.titley": 1.0,  # else the library measures all ticks twice to see where titles are free
    "path.simplify": True,
}


@contextmanager
def house_style() -> Iterator[None]:
    """Draw with the library's defaults and the report's few settings, then put all back."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        for key, value in _SETTINGS.items():
            mpl.rcParams[key] = value  # type: ignore[index]
        yield


def new_sheet(width_in: float, height_in: float) -> Figure:
    """Return an empty figure."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), dpi=DPI)
    FigureCanvasAgg(figure)
    return figure


def place_axes(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Add axes at a place given in inches from the lower left corner."""
    across, up = figure.get_size_inches()
    axes = figure.add_axes((left / across, bottom / up, width / across, height / up))
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def stacked_axes(heights_in: Sequence[float]) -> tuple[Figure, list[Axes]]:
    """Return a sheet with axes above each other, from below."""
    total = _LOW_IN + sum(heights_in) + _GAP_IN * (len(heights_in) - 1) + _TOP_IN
    figure, made, bottom = new_sheet(PAGE_IN, total), list[Any](), _LOW_IN
    for height in heights_in:
        width = PAGE_IN - _LEFT_IN - _RIGHT_IN
        made.append(place_axes(figure, _LEFT_IN, bottom, width, height))
        bottom += height + _GAP_IN
    return figure, made


def write_title(axes: Axes, title: str) -> None:
    """Write a title above axes, at the left."""
    axes.set_title(title, loc="left", fontsize=SIZE_PT, weight="bold")


def write_beside(axes: Axes, y: float, words: str, color: Color = (0.0, 0.0, 0.0)) -> None:
    """Write words at the right of axes, at a height in their units."""
    place = axes.get_yaxis_transform()
    axes.text(1.01, y, words, transform=place, va="center", color=color)


def blank_axes(figure: Figure) -> Axes:
    """Add axes over the whole figure, without frame, whose units are inches from the top left."""
    across, up = figure.get_size_inches()
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(0, across)
    axes.set_ylim(up, 0)
    return axes


def letter_outline(letter: str) -> Outline:
    """Return a letter as a marker, centred: hundreds of them are then one artist."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path as Outline
    from matplotlib.textpath import TextPath

    shape = TextPath((0, 0), letter, size=1.0, prop=FontProperties(weight="bold"))
    box = shape.get_extents()
    middle = ((box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2)
    return Outline(shape.vertices - middle, shape.codes)


def put_letters(
    axes: Axes, letter: str, x: Sequence[float], y: Sequence[float], color: Color
) -> None:
    """Stamp a letter of the size of the words at many places."""
    outline = letter_outline(letter)
    axes.plot(
        x,
        y,
        linestyle="none",
        marker=outline,
        # The library scales a marker's larger side to this.
        markersize=2 * SIZE_PT * float(np.abs(outline.vertices).max()),
        markerfacecolor=color,
        markeredgewidth=0,
    )


def put_boxes(
    axes: Axes, x: Sequence[float], y: Sequence[float], size: tuple[float, float], color: Color
) -> None:
    """Draw boxes of one size about many places, above images and below lines and letters."""
    from matplotlib.collections import PolyCollection

    half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.array(size) / 2
    corners = np.column_stack((x, y))[:, None] + half
    axes.add_collection(PolyCollection(corners, facecolors=[color], linewidths=0, zorder=1.5))


def to_png(figure: Figure) -> bytes:
    """Return the figure as PNG without date or version, so that equal pictures are equal bytes."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=DPI, metadata={"Software": None})
    return out.getvalue()
