"""The roll-call picture: rows down, days across, readable in black-and-white print.

A cell without a letter answered; its shade says how deep its drop was against its peers'. Whatever
a rule found, or nobody could tell, carries a letter, and findings differ in form besides: a silent
cell is full, an intermittent one half as wide, a faint one flat, one not called an empty frame.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from rowcall.model import BaghouseDay, Finding
from rowcall_reports import wording
from rowcall_reports.chapters import roll_call
from rowcall_reports.figures import canvas
from rowcall_reports.figures.canvas import Color
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.figures.row_sheet import Block, Course, blocks, courses, is_found
from rowcall_reports.figures.row_styles import LOOKS, Look, shades

if TYPE_CHECKING:
    from matplotlib.axes import Axes


_WORDS = {mark.letter: mark.words for mark in roll_call.ROW_MARKS} | {
    roll_call.UNKNOWN: "could not be judged"
}
_MOST_COURSES = 6  # chosen: more would make a caption nobody reads
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LETTER_PT = 50.0  # to an inch of a cell: leaves a margin beside the widest letter
_MOST_ROWS_DOWN = 48  # more rows are set in two columns
_ROW_IN, _HEAD_IN, _TOP_IN, _LEGEND_IN = 0.17, 0.36, 0.1, 0.62
_LABEL_IN, _RATIO_IN, _WIDTH_IN = 0.45, 0.55, 8.4


def draw_rows(day: BaghouseDay, findings: Sequence[Finding]) -> Picture | None:
    """Return the roll-call picture, or None when no row was ever heard."""
    days, made = blocks(day, findings)
    if not any(np.isfinite(block.ratio).any() or is_found(block.letter).any() for block in made):
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
    shown = [letter for letter in LOOKS if any((block.letter == letter).any() for block in made)]
    _draw_legend(axes, shown, _TOP_IN + tallest + 0.12)
    return Picture(
        name=picture_name("rows", day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(day, days, made),
        caption=_caption(day, days, made, shown),
    )


def _caption(
    day: BaghouseDay, days: Sequence[date], made: Sequence[Block], shown: Sequence[str]
) -> str:
    letters = ", ".join(f"{letter} {_WORDS[letter]}" for letter in shown)
    parts = [
        f"Roll call of {day.baghouse.id}: each row over {wording.count(len(days), 'day')}, "
        "today at the right with its drop against its peers'.",
        *([f"Letters: {letters}."] if letters else []),
        "The paler a cell without letter, the fuller its drop; white: nothing known.",
        _history(day, courses(days, made)) if len(days) > 1 else "",
        _place_words(day),
    ]
    return " ".join(part for part in parts if part)


def _history(day: BaghouseDay, found: Iterable[Course]) -> str:
    """Say since when what is found today has been so."""
    told = [course for course in found if not day.counts_places(course.compartment)]
    if not told:
        return ""
    words = [_since(course) for course in told[:_MOST_COURSES]]
    more = len(told) - len(words)
    return f"Since when: {'; '.join(words)}{f'; and {more} more' if more else ''}."


def _since(course: Course) -> str:
    start = f"{course.since.isoformat()}{' or longer' if course.is_older else ''}"
    moved = (
        f", its drop away from its usual {wording.percent(course.usual)} since {course.moved}"
        if course.moved
        else ""
    )
    place = wording.places([(course.compartment, course.row)])
    return f"{place} {_WORDS[course.letter]} since {start}{moved}"


def _place_words(day: BaghouseDay) -> str:
    places = [c for c in sorted(day.inferred) if day.counts_places(c)]
    if not places:
        return ""
    return (
        f"Compartment {wording.spans(places)}: places in the firing sequence instead of rows, "
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
    for letter, look in LOOKS.items():
        at_row, at_day = np.nonzero(block.letter == letter)
        x, y = x0 + step * (at_day + 0.5), top + _ROW_IN * (at_row + 0.5)
        _put(axes, letter, look, x.tolist(), y.tolist(), step)
    axes.vlines(x0 + step * np.arange(n_days + 1), top, bottom, colors="white", linewidths=0.8)
    axes.hlines(top + _ROW_IN * np.arange(rows + 1), x0, x1, colors="white", linewidths=0.8)
    axes.vlines([x1 - step, x1], top, bottom, colors=[canvas.INK], linewidths=1.1)
    axes.hlines([top, bottom], [x1 - step], [x1], colors=[canvas.INK], linewidths=1.1)
    axes.text(left, top - 0.07, f"Compartment {block.compartment}", weight="bold", color=canvas.INK)
    axes.text(x1 + 0.5, top - 0.06, "drop", size=7, ha="right", color=canvas.INK)
    _label_days(axes, days, x0, top - 0.06, step)
    _label_rows(axes, block, x0, x1, top)


def _put(
    axes: Axes, letter: str, look: Look, x: Sequence[float], y: Sequence[float], width: float
) -> None:
    """Put a letter, with the block behind it, into cells whose ground is drawn."""
    if not x:
        return
    if look.block is not None:
        size = (look.across * width, look.down * _ROW_IN)
        canvas.put_boxes(axes, x, y, size, look.block)
    canvas.put_letters(axes, letter, x, y, look.ink, min(6.5, _LETTER_PT * width))


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
            axes.text(x1 + 0.5, y, wording.percent(ratio), size=7, ha="right", va="center")


def _draw_legend(axes: Axes, shown: Sequence[str], y: float) -> None:
    """Explain the letters that the picture shows, and below them the shades."""
    x = 0.1 + _LABEL_IN
    for letter in shown:
        look = LOOKS[letter]
        _swatch(axes, x, y, look.ground)
        _put(axes, letter, look, [x + 0.1], [y], 0.2)
        axes.text(x + 0.27, y, _WORDS[letter], size=7, va="center", color=canvas.INK)
        x += 0.45 + 0.062 * len(_WORDS[letter])
    x, y = 0.1 + _LABEL_IN, y + 0.25 if shown else y
    axes.text(x, y, "drop against the peers':", size=7, va="center", color=canvas.INK)
    x += 1.4
    for ratio in (1.0, 0.8, 0.6, 0.4):
        shade = shades(np.array([[ratio]]), np.array([[""]]))[0, 0]
        _swatch(axes, x, y, (float(shade[0]), float(shade[1]), float(shade[2])))
        axes.text(x + 0.25, y, wording.percent(ratio), size=7, va="center", color=canvas.INK)
        x += 0.62


def _swatch(axes: Axes, x: float, y: float, color: Color) -> None:
    axes.fill(
        [x, x + 0.2, x + 0.2, x],
        [y - _ROW_IN / 2, y - _ROW_IN / 2, y + _ROW_IN / 2, y + _ROW_IN / 2],
        facecolor=color,
        edgecolor=canvas.PALE_INK,
        linewidth=0.4,
    )


def _alt(day: BaghouseDay, days: Sequence[date], made: Sequence[Block]) -> str:
    """Say in words what the picture shows of today."""
    parts = []
    for mark in roll_call.ROW_MARKS:
        rows = [
            f"compartment {block.compartment} {day.row_word(block.compartment)} {row + 1}"
            for block in made
            for row in np.flatnonzero(block.letter[:, -1] == mark.letter)
        ]
        if rows:
            parts.append(f"{mark.words}: {', '.join(rows)}")
    shown = "; ".join(parts) or "nothing was found of any row"
    return f"Rows of {day.baghouse.id} over {wording.count(len(days), 'day')}. Today {shown}."
