"""The roll-call picture: rows down, days across, readable in black-and-white print.

A cell without a letter answered; its shade shows how deep its drop was against its peers'. Whatever
a rule found, or could not judge, carries a letter, and findings differ in form besides: a silent
cell is full, one that misses pulses half as wide, a weak one flat, one not pulsed an empty frame.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from rowcall.model import BaghouseDay
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.canvas import Color
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.figures.row_sheet import Block, Course, blocks, courses
from rowcall_reports.figures.row_styles import Look, letters_in, look_of, shades
from rowcall_reports.prepared import PreparedDay
from rowcall_reports.row_marks import UNKNOWN

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Words = Mapping[str, str]  # of each letter, in the order of the legend

_MAX_COURSES = 6  # chosen: more would make a caption nobody reads
_LETTER_PT = 50.0  # to an inch of a cell: leaves a margin beside the widest letter
_MAX_ROWS_DOWN = 48  # chosen: a page's height; more rows are set in two columns
_ROW_IN = 0.17  # height of a row; chosen: one line of 7 pt
# Chosen by eye: above a block, above all, below all; at the left and the right of the cells.
_HEAD_IN, _TOP_IN, _LEGEND_IN, _LABEL_IN, _RATIO_IN = 0.36, 0.1, 0.62, 0.45, 0.55


def draw_rows(baghouse: PreparedDay) -> Picture | None:
    """Return the roll-call picture, or None when nothing is known of any row."""
    days, made = blocks(baghouse)
    if not any(np.isfinite(block.ratio).any() or block.found.any() for block in made):
        return None
    words = {mark.letter: mark.words for mark in (*baghouse.known_marks, UNKNOWN)}
    columns = _columns(made)
    tallest = max(sum(_block_height(block) for block in column) for column in columns)
    figure = canvas.new_sheet(canvas.PAGE_IN, _TOP_IN + tallest + _LEGEND_IN)
    axes = canvas.blank_axes(figure)
    across = canvas.PAGE_IN / len(columns)
    for number, column in enumerate(columns):
        top = _TOP_IN
        for block in column:
            _draw_block(axes, block, days, across * number + 0.1, top + _HEAD_IN, across - 0.2)
            top += _block_height(block)
    shown = {
        letter: meaning
        for letter, meaning in words.items()
        if any((block.letter == letter).any() for block in made)
    }
    _draw_legend(axes, shown, _TOP_IN + tallest + 0.12)
    return Picture(
        name=picture_name("rows", baghouse.day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(baghouse, days),
        caption=_caption(baghouse.day, days, made, shown),
    )


def _caption(day: BaghouseDay, days: Sequence[date], made: Sequence[Block], words: Words) -> str:
    letters = ", ".join(f"{letter} {meaning}" for letter, meaning in words.items())
    parts = [
        f"Roll call of {day.baghouse.id}: each row over {wording.count(len(days), 'day')}, "
        "today at the right with its drop against its peers'.",
        *([f"Letters: {letters}."] if letters else []),
        "The paler a cell without letter, the fuller its drop; white: nothing known.",
        _history(day, courses(days, made), words) if len(days) > 1 else "",
        _place_words(day),
    ]
    return " ".join(part for part in parts if part)


def _history(day: BaghouseDay, found: Sequence[Course], words: Words) -> str:
    """Say since when what is found today has been so."""
    known = [course for course in found if not day.counts_places(course.compartment)]
    if not known:
        return ""
    shown = [_since(course, words, day.day) for course in known[:_MAX_COURSES]]
    if len(known) > len(shown):
        shown.append(f"and {len(known) - len(shown)} more")
    sentence = "; ".join(shown)
    return f"{sentence[0].upper()}{sentence[1:]}."


def _since(course: Course, words: Words, today: date) -> str:
    start = wording.day_in_sentence(course.since, today)
    moved = ""
    if course.moved:
        moved = (
            f", its drop away from its usual {wording.percent(course.usual)} since "
            f"{wording.day_in_sentence(course.moved, today)}"
        )
    place = wording.places([(course.compartment, course.row)])
    longer = " or longer" if course.is_older else ""
    return f"{place} {words[course.letter]} since {start}{longer}{moved}"


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
    if total <= _MAX_ROWS_DOWN or len(made) < 2:
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
    for letter in letters_in(block.letter):
        at_row, at_day = np.nonzero(block.letter == letter)
        x, y = x0 + step * (at_day + 0.5), top + _ROW_IN * (at_row + 0.5)
        _put(axes, letter, look_of(letter), x.tolist(), y.tolist(), step)
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
    if look.block is not None:
        size = (look.across * width, look.down * _ROW_IN)
        canvas.put_boxes(axes, x, y, size, look.block)
    canvas.put_letters(axes, letter, x, y, look.ink, min(6.5, _LETTER_PT * width))


def _label_days(axes: Axes, days: Sequence[date], x0: float, y: float, step: float) -> None:
    last = len(days) - 1
    for n in range(last, -1, -7):
        words = "today" if n == last else wording.day_in_sentence(days[n], days[n])
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


def _draw_legend(axes: Axes, words: Words, y: float) -> None:
    """Explain the letters that the picture shows, and below them the shades."""
    x = 0.1 + _LABEL_IN
    for letter, meaning in words.items():
        look = look_of(letter)
        _swatch(axes, x, y, look.ground)
        _put(axes, letter, look, [x + 0.1], [y], 0.2)
        axes.text(x + 0.27, y, meaning, size=7, va="center", color=canvas.INK)
        x += 0.45 + 0.062 * len(meaning)
    x, y = 0.1 + _LABEL_IN, y + 0.25 if words else y
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


def _alt(baghouse: PreparedDay, days: Sequence[date]) -> str:
    """Say in words what the picture shows of today."""
    day, parts = baghouse.day, []
    for mark in baghouse.known_marks:
        rows = [
            f"compartment {compartment} {day.row_word(compartment)} {row}"
            for (compartment, row), of_row in baghouse.marks.items()
            if of_row == mark
        ]
        if rows:
            parts.append(f"{mark.words}: {', '.join(rows)}")
    shown = "; ".join(parts) or "nothing was found of any row"
    return f"Rows of {day.baghouse.id} over {wording.count(len(days), 'day')}. Today {shown}."
