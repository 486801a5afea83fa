"""The drawing surface: the only place that loads matplotlib, and it does so late.

Figures are made without pyplot (no global state) on the defaults of the library, whatever the
user's own settings are, so that the same day gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path as Outline

Color = tuple[float, float, float]

DPI = 110
INK: Color = (0.10, 0.10, 0.12)
PALE_INK: Color = (0.42, 0.42, 0.45)
GRID: Color = (0.86, 0.86, 0.88)
BLUE: Color = (0.12, 0.36, 0.58)
RUST: Color = (0.70, 0.30, 0.05)
_SETTINGS: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],  # comes with matplotlib, so it is the same everywhere
    "font.size": 8.0,
    "axes.edgecolor": PALE_INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "xtick.color": PALE_INK,
    "ytick.color": PALE_INK,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "axes.grid": False,
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
    axes: Axes, letter: str, x: Sequence[float], y: Sequence[float], color: Color, points: float
) -> None:
    """Stamp a letter at many places."""
    axes.plot(
        x,
        y,
        linestyle="none",
        marker=letter_outline(letter),
        markersize=points,
        markerfacecolor=color,
        markeredgewidth=0,
    )


def put_boxes(
    axes: Axes, x: Sequence[float], y: Sequence[float], size: tuple[float, float], color: Color
) -> None:
    """Draw boxes of one size about many places, above images and below lines and letters."""
    from matplotlib.collections import PolyCollection

    across, down = size[0] / 2, size[1] / 2
    corners = [
        [
            (a - across, b - down),
            (a + across, b - down),
            (a + across, b + down),
            (a - across, b + down),
        ]
        for a, b in zip(x, y, strict=True)
    ]
    axes.add_collection(PolyCollection(corners, facecolors=[color], linewidths=0, zorder=1.5))


def to_png(figure: Figure) -> bytes:
    """Return the figure as PNG without date or version, so that equal pictures are equal bytes."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=DPI, metadata={"Software": None})
    return out.getvalue()
