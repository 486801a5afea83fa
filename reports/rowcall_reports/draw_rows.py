"""The roll-call picture: rows down, days across, readable in black-and-white print.

A cell without a letter answered; its shade says how deep its drop was against the median of its
compartment. Whatever a rule found, or nobody could tell, carries a letter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from rowcall.model import BaghouseDay, Finding
from rowcall_reports import canvas, facts, roll_call, text
from rowcall_reports.canvas import Color
from rowcall_reports.picture import Picture, picture_name

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Grid = npt.NDArray[np.float64]
Letters = npt.NDArray[np.str_]

# Lightness falls from ok over ? and D to S; `tests` hold the steps to WCAG 2.x contrast ratios.
CELLS: Mapping[str, tuple[Color, Color]] = {  # letter: (cell, letter)
    "S": ((0.08, 0.08, 0.10), (1.0, 1.0, 1.0)),
    "D": (canvas.RUST, (1.0, 1.0, 1.0)),
    roll_call.UNKNOWN: ((0.80, 0.80, 0.80), (0.25, 0.25, 0.27)),
}
FULL_DROP: Color = (0.88, 0.94, 0.97)
WEAK_DROP: Color = (0.22, 0.45, 0.62)
_WEAK_RATIO = 0.4  # chosen: a drop of 40 % of its peers' is as dark as a shade gets
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MOST_ROWS_DOWN = 48  # more rows are set in two columns
_ROW_IN, _HEAD_IN, _TOP_IN, _LEGEND_IN = 0.17, 0.36, 0.1, 0.45
_LABEL_IN, _RATIO_IN, _WIDTH_IN = 0.45, 0.55, 8.4


@dataclass(frozen=True, slots=True)
class Block:
    """One compartment: drop ratio and letter by row and day, oldest day first."""

    compartment: int
    ratio: Grid
    letter: Letters


def blocks(day: BaghouseDay, findings: Sequence[Finding]) -> tuple[list[date], list[Block]]:
    """Return the shown days and a block a compartment; empty where nothing is known."""
    ratios = facts.track(day, "drop_ratio", roll_call.SHOWN_DAYS)
    past = roll_call.past_letters(day)
    known = {*ratios["day"], *past["day"], day.day}
    first = max(min(known), day.day - timedelta(days=roll_call.SHOWN_DAYS - 1))
    days = [first + timedelta(days=n) for n in range((day.day - first).days + 1)]
    column = {shown: n for n, shown in enumerate(days)}
    out = []
    for compartment, rows in enumerate(day.baghouse.rows, start=1):
        out.append(
            Block(
                compartment,
                np.full((rows, len(days)), np.nan),
                np.full((rows, len(days)), "", dtype="<U1"),
            )
        )
    for when, compartment, row, value in ratios.iter_rows():
        if _fits(out, compartment, row):
            out[compartment - 1].ratio[row - 1, column[when]] = np.nan if value is None else value
    for when, compartment, row, letter in past.iter_rows():
        if when in column and _fits(out, compartment, row):
            out[compartment - 1].letter[row - 1, column[when]] = letter
    for (compartment, row), mark in roll_call.marks(day, findings).items():
        out[compartment - 1].letter[row - 1, -1] = roll_call.letter_of(mark)
    return days, out


def _any_found(block: Block) -> bool:
    return bool(np.isin(block.letter, [rule.letter for rule in roll_call.ROW_RULES]).any())


def _fits(made: Sequence[Block], compartment: int, row: int) -> bool:
    """Older facts may come from a site file with more rows than today's."""
    return 0 < compartment <= len(made) and 0 < row <= len(made[compartment - 1].ratio)


def shades(ratio: Grid, letter: Letters) -> Grid:
    """Return the colour of each cell: by letter, else by drop ratio, else white."""
    part = np.clip((ratio - _WEAK_RATIO) / (1 - _WEAK_RATIO), 0, 1)[..., None]
    out: Grid = np.asarray(WEAK_DROP) * (1 - part) + np.asarray(FULL_DROP) * part
    out[np.isnan(ratio)] = 1.0
    for mark, (cell, _) in CELLS.items():
        out[letter == mark] = cell
    return out


def draw_rows(day: BaghouseDay, findings: Sequence[Finding]) -> Picture | None:
    """Return the roll-call picture, or None when no row was ever heard."""
    days, made = blocks(day, findings)
    if not any(np.isfinite(block.ratio).any() or _any_found(block) for block in made):
        return None
    columns = _columns(made)
    tallest = max(sum(_block_height(block) for block in column) for column in columns)
    figure = canvas.new_sheet(_WIDTH_IN, _TOP_IN + tallest + _LEGEND_IN)
    axes = canvas.blank_axes(figure)
    across = _WIDTH_IN / len(columns)
    for number, column in enumerate(columns):
        top = _TOP_IN
        for block in column:
            _draw_block(axes, block, days, across * number + 0.1, top + _HEAD_IN, across - 0.2)
            top += _block_height(block)
    _draw_legend(axes, _TOP_IN + tallest + _LEGEND_IN / 2)
    return Picture(
        name=picture_name("rows", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(day, days, made),
        caption=(
            f"Roll call of {day.baghouse.id}: each row over the last {len(days)} days, today at "
            "the right with its drop against the median of the compartment. Letters: S silent, D "
            "drawn out, ? could not be judged; the paler a cell without letter, the fuller its "
            f"drop; white: nothing known.{_place_words(day)}"
        ),
    )


def _place_words(day: BaghouseDay) -> str:
    places = [c for c in sorted(day.inferred) if day.counts_places(c)]
    if not places:
        return ""
    return (
        f" Compartment {text.spans(places)}: places in the firing sequence instead of rows, "
        "counted anew each day."
    )


def _columns(made: Sequence[Block]) -> list[list[Block]]:
    total = sum(len(block.ratio) for block in made)
    if total <= _MOST_ROWS_DOWN or len(made) < 2:
        return [list(made)]
    half = (len(made) + 1) // 2
    return [list(made[:half]), list(made[half:])]


def _block_height(block: Block) -> float:
    return _HEAD_IN + _ROW_IN * len(block.ratio) + 0.08


def _draw_block(
    axes: Axes, block: Block, days: Sequence[date], left: float, top: float, width: float
) -> None:
    rows, n_days = block.ratio.shape
    x0, x1 = left + _LABEL_IN, left + width - _RATIO_IN
    step, bottom = (x1 - x0) / n_days, top + rows * _ROW_IN
    axes.imshow(
        shades(block.ratio, block.letter),
        extent=(x0, x1, bottom, top),
        aspect="auto",
        interpolation="nearest",
    )
    axes.vlines(x0 + step * np.arange(n_days + 1), top, bottom, colors="white", linewidths=0.8)
    axes.hlines(top + _ROW_IN * np.arange(rows + 1), x0, x1, colors="white", linewidths=0.8)
    axes.vlines([x1 - step, x1], top, bottom, colors=[canvas.INK], linewidths=1.1)
    axes.hlines([top, bottom], [x1 - step], [x1], colors=[canvas.INK], linewidths=1.1)
    for letter, (_, ink) in CELLS.items():
        at_row, at_day = np.nonzero(block.letter == letter)
        if at_row.size:
            x, y = x0 + step * (at_day + 0.5), top + _ROW_IN * (at_row + 0.5)
            canvas.put_letters(axes, letter, x.tolist(), y.tolist(), ink, 6.5)
    axes.text(left, top - 0.07, f"Compartment {block.compartment}", weight="bold", color=canvas.INK)
    axes.text(x1 + 0.5, top - 0.06, "drop", size=7, ha="right", color=canvas.INK)
    _label_days(axes, days, x0, top - 0.06, step)
    _label_rows(axes, block, x0, x1, top)


def _label_days(axes: Axes, days: Sequence[date], x0: float, y: float, step: float) -> None:
    last = len(days) - 1
    for n in range(last, -1, -7):
        words = "today" if n == last else f"{days[n].day} {_MONTHS[days[n].month - 1]}"
        x = x0 + step * (n + 0.5)
        if n != last and x < x0 + 1.0:  # the compartment's name stands there
            continue
        axes.text(x, y, words, size=7, ha="center", color=canvas.INK)


def _label_rows(axes: Axes, block: Block, x0: float, x1: float, top: float) -> None:
    for n, ratio in enumerate(block.ratio[:, -1]):
        y = top + _ROW_IN * (n + 0.5)
        axes.text(x0 - 0.07, y, f"{n + 1}", size=7, ha="right", va="center", color=canvas.INK)
        if np.isfinite(ratio):
            axes.text(x1 + 0.5, y, text.percent(ratio), size=7, ha="right", va="center")


def _draw_legend(axes: Axes, y: float) -> None:
    words = {"S": "silent", "D": "drawn out", roll_call.UNKNOWN: "could not be judged"}
    x = 0.1 + _LABEL_IN
    for letter, (cell, ink) in CELLS.items():
        _swatch(axes, x, y, cell)
        canvas.put_letters(axes, letter, [x + 0.1], [y], ink, 6.5)
        axes.text(x + 0.27, y, words[letter], size=7, va="center", color=canvas.INK)
        x += 0.45 + 0.062 * len(words[letter])
    x += 0.1
    axes.text(x, y, "drop against the median:", size=7, va="center", color=canvas.INK)
    x += 1.45
    for ratio in (1.0, 0.8, 0.6, 0.4):
        shade = shades(np.array([[ratio]]), np.array([[""]]))[0, 0]
        _swatch(axes, x, y, (float(shade[0]), float(shade[1]), float(shade[2])))
        axes.text(x + 0.25, y, text.percent(ratio), size=7, va="center", color=canvas.INK)
        x += 0.62


def _swatch(axes: Axes, x: float, y: float, color: Color) -> None:
    axes.fill(
        [x, x + 0.2, x + 0.2, x],
        [y - 0.08, y - 0.08, y + 0.08, y + 0.08],
        facecolor=color,
        edgecolor=canvas.PALE_INK,
        linewidth=0.4,
    )


def _alt(day: BaghouseDay, days: Sequence[date], made: Sequence[Block]) -> str:
    """Say in words what the picture shows of today."""
    parts = []
    for rule in roll_call.ROW_RULES:
        rows = [
            f"compartment {block.compartment} {day.row_word(block.compartment)} {row + 1}"
            for block in made
            for row in np.flatnonzero(block.letter[:, -1] == rule.letter)
        ]
        if rows:
            parts.append(f"{rule.word.lower()}: {', '.join(rows)}")
    shown = "; ".join(parts) or "no row silent or drawn out"
    return f"Rows of {day.baghouse.id} over {len(days)} days. Today {shown}."
