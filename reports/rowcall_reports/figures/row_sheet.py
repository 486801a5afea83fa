"""What the roll-call picture shows: drop ratio and letter of every row by day, and since when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import numpy.typing as npt

from rowcall.model import BaghouseDay, Finding
from rowcall_reports import fact_lookup
from rowcall_reports.chapters import roll_call

Grid = npt.NDArray[np.float64]
Letters = npt.NDArray[np.str_]

_BEFORE_DAYS = 7  # chosen: so many days tell what a row's drop usually was
_SCATTERS = 4.0  # chosen: and so many of their scatters are more than chance
_LEAST_MOVE = 0.1  # chosen: of the peers' drop
_FEWEST_MOVED = 3  # chosen: days; fewer are no course


@dataclass(frozen=True, slots=True)
class Block:
    """One compartment: drop ratio and letter by row and day, oldest day first."""

    compartment: int
    ratio: Grid
    letter: Letters


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


def blocks(day: BaghouseDay, findings: Sequence[Finding]) -> tuple[list[date], list[Block]]:
    """Return the shown days and a block a compartment; empty where nothing is known."""
    ratios = fact_lookup.track(day, "drop_ratio", roll_call.SHOWN_DAYS)
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


def _fits(made: Sequence[Block], compartment: int, row: int) -> bool:
    """Older facts may come from a site file with more rows than today's."""
    return 0 < compartment <= len(made) and 0 < row <= len(made[compartment - 1].ratio)


def is_found(letter: Letters) -> npt.NDArray[np.bool_]:
    """Tell which letters stand for a finding."""
    return np.isin(letter, roll_call.FOUND_LETTERS)


def courses(days: Sequence[date], made: Sequence[Block]) -> list[Course]:
    """Return the course of every row with a finding today, in order of place."""
    out = []
    for block in made:
        found = is_found(block.letter)
        for row in np.flatnonzero(found[:, -1]):
            first = _first_of_run(found[row])
            moved, usual = _moved(block.ratio[row])
            out.append(
                Course(
                    block.compartment,
                    int(row) + 1,
                    str(block.letter[row, -1]),
                    days[first],
                    first == 0 and len(days) == roll_call.SHOWN_DAYS,
                    days[moved] if moved is not None and moved < first else None,
                    usual,
                )
            )
    return out


def _first_of_run(flags: npt.NDArray[np.bool_]) -> int:
    """Place of the first of the flags that are set without a break up to the last one."""
    unset = np.flatnonzero(~flags)
    return int(unset[-1]) + 1 if unset.size else 0


def _moved(ratio: Grid) -> tuple[int | None, float]:
    """Return since which day a row's drop has left its first week's, and the drop of that week."""
    known = np.flatnonzero(np.isfinite(ratio))
    if known.size < _BEFORE_DAYS + _FEWEST_MOVED:
        return None, float("nan")
    week = ratio[known[:_BEFORE_DAYS]]
    usual = float(np.median(week))
    scatter = 1.4826 * float(np.median(np.abs(week - usual)))  # of a normal distribution
    limit = max(_LEAST_MOVE, _SCATTERS * scatter)
    off = ratio[known] - usual
    first = _first_of_run(off * np.sign(off[-1]) > limit)
    if known.size - first < _FEWEST_MOVED:
        return None, usual
    return int(known[first]), usual
