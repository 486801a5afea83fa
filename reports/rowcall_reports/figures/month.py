"""A month of a baghouse at a glance: days across; what was found, DP, pulses, air, dew points.

A day without a number carries a letter that says why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.model import PRESSING, Fact, Floats, Urgency, Verdict
from rowcall_reports import wording
from rowcall_reports.figures import canvas
from rowcall_reports.figures.picture import Picture, picture_name
from rowcall_reports.first_page.sums import by_day
from rowcall_reports.prepared import PreparedDay
from rowcall_reports.row_marks import SHOWN_DAYS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Counts = npt.NDArray[np.int64]

_MIN_DAYS = 3  # chosen: fewer are no course
_MAX_DIGIT = 9  # a cell holds one
_WHY = {"-": "no data", "o": "off on purpose", "s": "not running", "?": "could not be judged"}
_GROUNDS: Mapping[Urgency, tuple[canvas.Color, canvas.Color]] = {  # of cell and number
    Urgency.NOW: (canvas.INK, (1.0, 1.0, 1.0)),
    Urgency.NEXT_OUTAGE: (canvas.BLUE, (1.0, 1.0, 1.0)),
    Urgency.WATCH: (canvas.GRID, canvas.INK),
}
# Chosen by eye: at the sides, a line of cells, a panel, above each, below all.
_LEFT_IN, _RIGHT_IN, _CELL_IN, _PANEL_IN, _HEAD_IN, _FOOT_IN = 0.55, 0.2, 0.17, 0.42, 0.28, 0.25
_BAR_PT = 5.0  # width of a bar; chosen: two thirds of a day


@dataclass(frozen=True, slots=True)
class Course:
    """One number of the days, nan where it is not known, shape (days,).

    show: of one value in words; limit: of the site file, nan where there is none.
    """

    words: str
    value: Floats
    show: Callable[[float], str]
    is_level: bool = False
    limit: float = float("nan")

    @property
    def text(self) -> str:
        """What it was on the last day."""
        today = float(self.value[-1])
        return f"{self.words}: {f'{self.show(today)} today' if np.isfinite(today) else 'not known'}"


@dataclass(frozen=True, slots=True)
class Month:
    """The days, oldest first; findings by urgency; why a day has none of them ('' where judged).

    changed: places of the days on which the level of DP changed.
    """

    days: Sequence[date]
    found: Mapping[Urgency, Counts]
    why: Sequence[str]
    courses: Sequence[Course]
    changed: Sequence[int]


def month_of(baghouse: PreparedDay) -> Month:
    """Return what the picture shows."""
    today = baghouse.day.day
    days = [today - timedelta(days=ago) for ago in range(SHOWN_DAYS - 1, -1, -1)]
    place = {day: n for n, day in enumerate(days)}
    found = {urgency: np.zeros(len(days), np.int64) for urgency in _GROUNDS}
    past = baghouse.day.history.verdicts.filter(pl.col("day") >= days[0])
    judged, asked = set[date](), set[date]()
    for day, verdict, urgency in past.select("day", "verdict", "urgency").iter_rows():
        asked.add(day)
        judged |= {day} if verdict != Verdict.CANNOT_TELL else set()
        if verdict == Verdict.FOUND:
            found[Urgency(urgency) if urgency else Urgency.WATCH][place[day]] += 1
    for job in baghouse.jobs:
        found[job.first.answer.urgency or Urgency.WATCH][-1] += len(job.findings)
    asked |= {today} if baghouse.has_data else set()
    judged |= {today} if baghouse.is_judged else set()
    running = _values(baghouse, Fact.RUNNING_MIN, days)
    why = [
        ""
        if day in judged
        else "o"
        if day in baghouse.off_days
        else "s"
        if running[n] == 0
        else "?"
        if day in asked
        else "-"
        for n, day in enumerate(days)
    ]
    changed = np.flatnonzero(np.isfinite(_values(baghouse, Fact.DP_CHANGED_S, days)))
    return Month(days, found, why, _courses(baghouse, days), changed.tolist())


def _values(baghouse: PreparedDay, fact: Fact, days: Sequence[date]) -> Floats:
    known = by_day(baghouse.day, fact, SHOWN_DAYS)
    return np.array([known.get(day, np.nan) for day in days], float)


def _courses(baghouse: PreparedDay, days: Sequence[date]) -> list[Course]:
    units = baghouse.day.units
    dp, air = units.dp, units.air
    limit = baghouse.day.baghouse.residual_dp_limit
    out = []
    for fact, words, show in (
        (Fact.RESIDUAL_DP_PA, f"Residual DP, {dp.words}", dp.number),
        (Fact.N_PULSES, "Pulses", wording.number),
        (Fact.FREE_AIR_DAY_M3, f"Free air, {air.words}", air.number),
        (Fact.COLD_GAS_MIN, "Below water dew point, min", wording.number),
        (Fact.ACID_GAS_MIN, "Below acid dew point, min", wording.number),
    ):
        value = _values(baghouse, fact, days)
        if np.isfinite(value).sum() >= _MIN_DAYS and np.nanmax(value) > 0:
            is_level = fact is Fact.RESIDUAL_DP_PA
            at = limit if is_level and limit is not None else np.nan
            out.append(Course(words, value, show, is_level, at))
    return out


def draw_month(baghouse: PreparedDay) -> Picture | None:
    """Return the picture, or None where fewer than three days are known."""
    month = month_of(baghouse)
    if sum(why != "-" for why in month.why) < _MIN_DAYS:
        return None
    n = len(month.courses)
    tall = 2 * _HEAD_IN + 3 * _CELL_IN + n * (_PANEL_IN + _HEAD_IN) + _FOOT_IN - _HEAD_IN
    figure = canvas.new_sheet(canvas.PAGE_IN, tall)
    wide, bottom = canvas.PAGE_IN - _LEFT_IN - _RIGHT_IN, tall - _HEAD_IN - 3 * _CELL_IN
    axes = canvas.place_axes(figure, _LEFT_IN, bottom, wide, 3 * _CELL_IN)
    _draw_found(axes, month)
    made = [axes]
    for course in month.courses:
        bottom -= _HEAD_IN + _PANEL_IN
        made.append(canvas.place_axes(figure, _LEFT_IN, bottom, wide, _PANEL_IN))
        _draw_course(made[-1], month, course)
    for axes in made:
        axes.set_xlim(-0.5, len(month.days) - 0.5)
        _label_days(axes, month.days, with_words=axes is made[-1])
    return Picture(
        name=picture_name("month", baghouse.day.baghouse.id),
        png=canvas.to_png(figure),
        alt=_alt(baghouse, month),
        caption=_caption(baghouse, month),
    )


def _label_days(axes: Axes, days: Sequence[date], *, with_words: bool) -> None:
    ticks = list(range(len(days) - 1, -1, -7))
    words = ["today", *(wording.day_in_sentence(days[n], days[n]) for n in ticks[1:])]
    axes.set_xticks(ticks, words if with_words else [""] * len(ticks))


def _draw_found(axes: Axes, month: Month) -> None:
    canvas.write_title(axes, "Findings of each day, by when to act")
    for line, (urgency, (ground, ink)) in enumerate(_GROUNDS.items()):
        counts = month.found[urgency]
        at = np.flatnonzero(counts)
        canvas.put_boxes(axes, at.tolist(), [line] * at.size, (0.92, 0.88), ground)
        for number in np.unique(counts[at]).tolist():
            where = np.flatnonzero(counts == number)
            letter = str(number) if number <= _MAX_DIGIT else "+"
            canvas.put_letters(axes, letter, where.tolist(), [line] * where.size, ink)
        _put_why(axes, month, [n for n in range(len(counts)) if not counts[n]], line)
    axes.set_ylim(2.5, -0.5)
    axes.set_yticks(range(3), ["now", "outage", "watch"])
    axes.tick_params(axis="y", length=0)


def _put_why(axes: Axes, month: Month, places: Sequence[int], y: float) -> None:
    """Put a letter where a day has no number for a reason."""
    for letter in _WHY:
        at = [n for n in places if month.why[n] == letter]
        if at:
            canvas.put_letters(axes, letter, at, [y] * len(at), canvas.PALE_INK)


def _draw_course(axes: Axes, month: Month, course: Course) -> None:
    value = course.value
    known = np.flatnonzero(np.isfinite(value))
    low, high = float(np.nanmin(value)), float(np.nanmax([*value, course.limit]))
    base = low - 0.3 * (high - low) if course.is_level else 0.0
    top = high + 0.15 * (high - base) + 1e-9
    if course.is_level:
        axes.plot(known, value[known], "o-", color=canvas.BLUE, markersize=2.5, linewidth=1.0)
        axes.plot(
            month.changed,
            [top] * len(month.changed),
            "v",
            color=canvas.INK,
            markersize=5,
            clip_on=False,
        )
        axes.axhline(course.limit, color=canvas.INK, linewidth=1.0, linestyle=canvas.DASHES)
    else:
        axes.vlines(known, 0, value[known], colors=[canvas.BLUE], linewidths=_BAR_PT)
    axes.set_ylim(base, top)
    ends = [low, high] if course.is_level and high > low else [high]
    axes.set_yticks(ends, [course.show(end) for end in ends])
    missing = [n for n in range(len(value)) if n not in known]
    _put_why(axes, month, missing, base + 0.25 * (top - base))
    canvas.write_title(axes, course.text)


def _alt(baghouse: PreparedDay, month: Month) -> str:
    house, n_days = baghouse.day.baghouse.id, sum(not why for why in month.why)
    n_found = int(np.any(list(month.found.values()), axis=0).sum())
    today = [
        f"{month.found[urgency][-1]} {urgency.value}"
        for urgency in PRESSING
        if urgency in month.found and month.found[urgency][-1]
    ]
    parts = [
        f"{house} over {wording.count(len(month.days), 'day')}: something found on {n_found} of "
        f"{wording.count(n_days, 'judged day')}",
        f"today {', '.join(today)}" if today else "nothing today",
        *(wording.lower_first(course.text) for course in month.courses),
    ]
    return "; ".join(parts) + "."


def _caption(baghouse: PreparedDay, month: Month) -> str:
    letters = [f"{letter} {words}" for letter, words in _WHY.items() if letter in month.why]
    many = any((counts > _MAX_DIGIT).any() for counts in month.found.values())
    has_limit = any(np.isfinite(course.limit) for course in month.courses)
    parts = [
        f"The month of {baghouse.day.baghouse.id}: each day's findings by when to act"
        + (f" (+: more than {_MAX_DIGIT})" if many else ""),
        *(["dashed: limit of residual DP, which is not corrected for gas flow"] * has_limit),
        *(["triangle: the level of DP changed"] if month.changed else []),
        *([f"days without a number: {', '.join(letters)}"] if letters else []),
    ]
    return "; ".join(parts) + "."
