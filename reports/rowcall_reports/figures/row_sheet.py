"""What the roll-call picture shows: drop ratio and letter of every row by day, and since when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from rowcall.events.noise import TO_DEVIATION
from rowcall.model import BaghouseDay, Fact, Floats, Rule
from rowcall_reports import fact_lookup
from rowcall_reports.row_marks import PLAIN, SHOWN_DAYS, Marks, marks_before

Letters = npt.NDArray[np.str_]
Flags = npt.NDArray[np.bool_]

_BEFORE_DAYS = 7  # chosen: so many days show what a row's drop usually was
_SCATTERS = 4.0  # chosen: a move by so many of their scatters is more than chance
_MIN_MOVE = 0.1  # chosen: of the peers' drop
_MIN_MOVED_DAYS = 3  # chosen: days; fewer are no trend


@dataclass(frozen=True, slots=True)
class Block:
    """One compartment by row and day, oldest day first: drop ratio, letter, is anything found."""

    compartment: int
    ratio: Floats
    letter: Letters
    found: Flags


@dataclass(frozen=True, slots=True)
class Course:
    """How what is found of a row today came about.

    Attributes:
        since: first day of its unbroken run of days with a finding; is_older: or earlier.
        moved: first day of the run of days on which its drop left what was usual before, None
            where it did not, or not before `since`; usual: what that was.
    """

    compartment: int
    row: int
    letter: str
    since: date
    is_older: bool
    moved: date | None
    usual: float


def blocks(
    day: BaghouseDay, rules: Sequence[Rule], marks_today: Marks
) -> tuple[list[date], list[Block]]:
    """Return the shown days and a block a compartment; empty where nothing is known."""
    today = day.day
    ratios = fact_lookup.track(day, Fact.DROP_RATIO, SHOWN_DAYS)
    marks = {**marks_before(day, rules), today: marks_today}
    first = min({*ratios["day"], *marks})
    days = [first + timedelta(days=n) for n in range((today - first).days + 1)]
    column = {shown: n for n, shown in enumerate(days)}
    out = [
        _empty(compartment, (rows, len(days)))
        for compartment, rows in enumerate(day.baghouse.rows, start=1)
    ]
    for when, compartment, row, value in ratios.iter_rows():
        # Older facts may come from a site file with more rows than today's.
        if (compartment, row) in marks_today:
            out[compartment - 1].ratio[row - 1, column[when]] = value
    for when, of_day in marks.items():
        _put_marks(out, of_day, column[when])
    return days, out


def _empty(compartment: int, shape: tuple[int, int]) -> Block:
    return Block(
        compartment, np.full(shape, np.nan), np.full(shape, "", dtype="<U1"), np.zeros(shape, bool)
    )


def _put_marks(made: Sequence[Block], marks: Marks, column: int) -> None:
    for (compartment, row), mark in marks.items():
        made[compartment - 1].letter[row - 1, column] = mark.letter
        made[compartment - 1].found[row - 1, column] = mark not in PLAIN


def courses(days: Sequence[date], made: Sequence[Block]) -> list[Course]:
    """Return the course of every row with a finding today, in order of place."""
    out = []
    for block in made:
        for row in np.flatnonzero(block.found[:, -1]):
            first = _first_of_run(block.found[row])
            moved, usual = _moved(block.ratio[row])
            out.append(
                Course(
                    block.compartment,
                    int(row) + 1,
                    str(block.letter[row, -1]),
                    days[first],
                    first == 0 and len(days) == SHOWN_DAYS,
                    days[moved] if moved is not None and moved < first else None,
                    usual,
                )
            )
    return out


def sinking(days: Sequence[date], made: Sequence[Block]) -> list[Course]:
    """Return the rows of which nothing is found today, and whose drop has left its usual downwards.

    `since` is the first day of that; drops of today and of the usual are those of the course.
    """
    out = []
    for block in made:
        for row in np.flatnonzero(~block.found[:, -1]):
            moved, usual = _moved(block.ratio[row])
            now = float(block.ratio[row, -1])
            if moved is not None and now < usual:
                since = days[moved]
                out.append(Course(block.compartment, int(row) + 1, "", since, False, since, usual))
    return out


def _first_of_run(flags: Flags) -> int:
    """Place of the first of the flags that are set without a break up to the last one."""
    unset = np.flatnonzero(~flags)
    return int(unset[-1]) + 1 if unset.size else 0


def _moved(ratio: Floats) -> tuple[int | None, float]:
    """Return since which day a row's drop has left its first week's, and the drop of that week."""
    known = np.flatnonzero(np.isfinite(ratio))
    if known.size < _BEFORE_DAYS + _MIN_MOVED_DAYS:
        return None, float("nan")
    week = ratio[known[:_BEFORE_DAYS]]
    usual = float(np.median(week))
    scatter = TO_DEVIATION * float(np.median(np.abs(week - usual)))
    limit = max(_MIN_MOVE, _SCATTERS * scatter)
    off = ratio[known] - usual
    first = _first_of_run(off * np.sign(off[-1]) > limit)
    if known.size - first < _MIN_MOVED_DAYS:
        return None, usual
    return int(known[first]), usual
