"""The roll-call picture: rows down, days across, readable in black-and-white print.

A cell without a letter answered; its shade shows how deep its drop was against its peers'. Whatever
a rule found, or could not judge, carries a letter, and findings differ in form besides: a silent
cell is full, one that misses pulses lies between bars, a weak one is flat, one not pulsed an empty
frame. Of many rows only those are drawn that have something to show.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from rowcall.model import BaghouseDay
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.canvas import Color
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.figures.row_sheet import Block, Course, courses
from rowcall_reports.figures.row_styles import Look, letters_in, look_of, shades
from rowcall_reports.prepared import PreparedDay
from rowcall_reports.row_marks import OTHER, UNKNOWN

if TYPE_CHECKING:
    from matplotlib.axes import Axes


Rows = npt.NDArray[np.intp]
Words = Mapping[str, str]  # of each letter, in the order of the legend

_MAX_COURSES = 6  # chosen: more would make a caption nobody reads
_MAX_ROWS = 48  # chosen: two screens of a telephone
_DAYS = 21  # chosen: on a telephone a day is as wide as a letter; facts go further back
_ROW_IN = 0.165  # height of a row; chosen: one line of words
# Chosen by eye: above a block, above all; at the left and the right of the cells.
_HEAD_IN, _TOP_IN, _LABEL_IN, _RATIO_IN = 0.4, 0.02, 0.28, 0.5
_SWATCH_IN = 0.16


def draw_rows(baghouse: PreparedDay) -> Picture | None:
    """Return the roll-call picture, or None when nothing is known of any row."""
    days, made = baghouse.sheet
    if not any(np.isfinite(block.ratio).any() or block.found.any() for block in made):
        return None
    drawn, n_left_out = drawn_rows(made)
    meanings = {mark.letter: mark.words for mark in (*baghouse.known_marks, OTHER, UNKNOWN)}
    shown = {
        letter: meaning
        for letter, meaning in meanings.items()
        if any((block.letter[rows] == letter).any() for block, rows in drawn)
    }
    lines = _legend_lines(shown)
    tall = sum(_HEAD_IN + _ROW_IN * len(rows) + 0.05 for _, rows in drawn)
    figure = canvas.new_sheet(canvas.PAGE_IN, _TOP_IN + tall + 0.23 * (len(lines) + 2))
    axes, top = canvas.blank_axes(figure), _TOP_IN
    for block, rows in drawn:
        _draw_block(axes, block, rows, days[-_DAYS:], top + _HEAD_IN)
        top += _HEAD_IN + _ROW_IN * len(rows) + 0.05
    _draw_legend(axes, lines, top + 0.15)
    return Picture(
        name=picture_name("rows", baghouse.day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(baghouse, days[-_DAYS:]),
        caption=_caption(baghouse.day, days, made, shown, n_left_out),
    )


def drawn_rows(made: Sequence[Block]) -> tuple[list[tuple[Block, Rows]], int]:
    """Return the shown days of the blocks, with the rows that are drawn, and how many are not."""
    recent = [
        replace(
            b, ratio=b.ratio[:, -_DAYS:], letter=b.letter[:, -_DAYS:], found=b.found[:, -_DAYS:]
        )
        for b in made
    ]
    # Found counts before not judged, and that before the drop of a row that answers.
    weight = [2 * b.found.any(axis=1) + (b.letter != "").any(axis=1) for b in recent]
    flat = np.concatenate(weight)
    kept = np.zeros(flat.size, bool)
    kept[np.argsort(-flat, kind="stable")[:_MAX_ROWS]] = True
    if flat.size > _MAX_ROWS and flat.any():
        kept &= flat > 0
    parts = np.split(kept, np.cumsum([len(one) for one in weight])[:-1])
    rows = [np.flatnonzero(part) for part in parts]
    return [pair for pair in zip(recent, rows, strict=True) if pair[1].size], int((~kept).sum())


def _caption(
    day: BaghouseDay, days: Sequence[date], made: Sequence[Block], words: Words, n_left_out: int
) -> str:
    letters = ", ".join(f"{letter} {meaning}" for letter, meaning in words.items())
    parts = [
        f"Roll call of {day.baghouse.id}: each row over "
        f"{wording.count(min(len(days), _DAYS), 'day')}, "
        "today at the right with its drop against its peers'.",
        *([f"Letters: {letters}."] if letters else []),
        "The paler a cell without letter, the fuller its drop; white: nothing known.",
        f"{wording.count(n_left_out, 'row')} with less to show not drawn." if n_left_out else "",
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


def _draw_block(axes: Axes, block: Block, rows: Rows, days: Sequence[date], top: float) -> None:
    ratio, letters = block.ratio[rows], block.letter[rows]
    n_rows, n_days = ratio.shape
    x0, x1 = _LABEL_IN, canvas.PAGE_IN - _RATIO_IN
    step, bottom = (x1 - x0) / n_days, top + n_rows * _ROW_IN
    axes.imshow(
        shades(ratio, letters),
        extent=(x0, x1, bottom, top),
        aspect="auto",
        interpolation="nearest",
    )
    for letter in letters_in(letters):
        at_row, at_day = np.nonzero(letters == letter)
        x, y = x0 + step * (at_day + 0.5), top + _ROW_IN * (at_row + 0.5)
        _put(axes, letter, look_of(letter), x.tolist(), y.tolist(), step)
    axes.vlines(x0 + step * np.arange(n_days + 1), top, bottom, colors="white", linewidths=0.8)
    axes.hlines(top + _ROW_IN * np.arange(n_rows + 1), x0, x1, colors="white", linewidths=0.8)
    axes.vlines([x1 - step, x1], top, bottom, colors=[canvas.INK], linewidths=1.1)
    axes.hlines([top, bottom], [x1 - step], [x1], colors=[canvas.INK], linewidths=1.1)
    axes.text(0.05, top - 0.21, f"Compartment {block.compartment}", weight="bold")
    axes.text(canvas.PAGE_IN - 0.05, top - 0.06, "drop", ha="right")
    _label_days(axes, days, x0, top - 0.06, step)
    for n, row in enumerate(rows.tolist()):
        middle = top + _ROW_IN * (n + 0.5)
        axes.text(x0 - 0.06, middle, f"{row + 1}", ha="right", va="center")
        if np.isfinite(ratio[n, -1]):
            words = wording.percent(float(ratio[n, -1]))
            axes.text(canvas.PAGE_IN - 0.05, middle, words, ha="right", va="center")


def _put(
    axes: Axes, letter: str, look: Look, x: Sequence[float], y: Sequence[float], width: float
) -> None:
    """Put a letter, with the block behind it, into cells whose ground is drawn."""
    if look.block is not None:
        size = (look.across * width, look.down * _ROW_IN)
        canvas.put_boxes(axes, x, y, size, look.block)
    canvas.put_letters(axes, letter, x, y, look.ink)


def _label_days(axes: Axes, days: Sequence[date], x0: float, y: float, step: float) -> None:
    last = len(days) - 1
    for n in range(last, -1, -7):
        words = "today" if n == last else wording.day_in_sentence(days[n], days[n])
        axes.text(x0 + step * (n + 0.5), y, words, ha="center")


def _legend_lines(words: Words) -> list[list[tuple[str, str, float]]]:
    """Return the letters that the picture shows with their words, and where on which line."""
    lines: list[list[tuple[str, str, float]]] = [[]]
    x = _LABEL_IN
    for letter, meaning in words.items():
        wide = _SWATCH_IN + 0.22 + 0.076 * len(meaning)  # of a letter, on average
        if x + wide > canvas.PAGE_IN:
            lines.append([])
            x = _LABEL_IN
        lines[-1].append((letter, meaning, x))
        x += wide
    return lines if words else []


def _draw_legend(axes: Axes, lines: Sequence[Sequence[tuple[str, str, float]]], y: float) -> None:
    """Explain the letters that the picture shows, and below them the shades."""
    for line in lines:
        for letter, meaning, x in line:
            look = look_of(letter)
            _swatch(axes, x, y, look.ground)
            _put(axes, letter, look, [x + _SWATCH_IN / 2], [y], _SWATCH_IN)
            axes.text(x + _SWATCH_IN + 0.06, y, meaning, va="center")
        y += 0.23
    axes.text(_LABEL_IN, y, "no letter: it answered, drop against the peers'", va="center")
    for n, ratio in enumerate((1.0, 0.8, 0.6, 0.4)):
        shade = shades(np.array([[ratio]]), np.array([[""]]))[0, 0]
        x = _LABEL_IN + 0.75 * n
        _swatch(axes, x, y + 0.21, (float(shade[0]), float(shade[1]), float(shade[2])))
        axes.text(x + _SWATCH_IN + 0.06, y + 0.21, wording.percent(ratio), va="center")


def _swatch(axes: Axes, x: float, y: float, color: Color) -> None:
    axes.fill(
        [x, x + _SWATCH_IN, x + _SWATCH_IN, x],
        [y - _ROW_IN / 2, y - _ROW_IN / 2, y + _ROW_IN / 2, y + _ROW_IN / 2],
        facecolor=color,
        edgecolor=canvas.PALE_INK,
        linewidth=0.4,
    )


def _alt(baghouse: PreparedDay, days: Sequence[date]) -> str:
    """Say in words what the picture shows of today."""
    day, parts = baghouse.day, []
    for mark in (*baghouse.known_marks, OTHER):
        rows = [
            f"compartment {compartment} {day.row_word(compartment)} {row}"
            for (compartment, row), of_row in baghouse.marks.items()
            if of_row == mark
        ]
        if rows:
            parts.append(f"{mark.words}: {', '.join(rows)}")
    shown = "; ".join(parts) or "nothing was found of any row"
    if baghouse.unknown_rows:
        shown += f"; {wording.count(baghouse.unknown_rows, 'row')} could not be judged"
    return f"Rows of {day.baghouse.id} over {wording.count(len(days), 'day')}. Today {shown}."
