"""The controller does not call a row, or calls it far less often than the others.

Why: a row that is passed over keeps its cake, and nothing shows at its valve, which is never
asked: no solenoid bit, no drop. Causes lie before the valve: the number of rows set at the
controller, a row skipped by design, an output switched off. Looks like, but is not: a bit that is
scanned and mostly missed, a bit that is no longer recorded, and a compartment that is isolated
(then none of its rows is called).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Fact,
    Limits,
    Need,
    Quantity,
    RowMark,
    Rule,
    Subject,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.site import Role, Sample
from rowcall.units import Dimension


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row; reads the facts n_called."""
    day, limits = context.day, context.limits
    facts = context.facts
    for compartment, n_rows in enumerate(day.baghouse.rows, start=1):
        calls = [facts.of(Fact.N_SENT, compartment, row) for row in range(1, n_rows + 1)]
        usual = float(np.median(calls))
        for row, called in enumerate(calls, start=1):
            subject = Subject(day.baghouse.id, compartment, row)
            why = _untold(day, subject, usual, limits)
            if why:
                yield Answer.cannot_tell(subject, why)
            else:
                yield _judge_row(day, subject, called, usual, limits)


def _untold(day: BaghouseDay, subject: Subject, usual: float, limits: Limits) -> str:
    """Say why the calls of a row are not known, '' where they are."""
    if subject.compartment in day.inferred:
        return "its fires are told from header pressure, where a row passed over leaves no gap"
    if not day.fires_known or math.isnan(usual):
        return "its bits are scanned or incomplete, and a bit that was missed is no row passed over"
    if usual < limits["min_pulses"]:
        return f"the rows of its compartment were called only {usual:.0f} times on this day"
    if not any(place[0] is Role.ROW_SOLENOID for place in day.signals):
        return ""  # a counter names every row that is fired
    here = (subject.compartment, subject.row)
    if (Role.ROW_SOLENOID, *here) in day.signals or _is_unmoved(day, here):
        return ""
    return "its own bit is not usable on this day"


def _is_unmoved(day: BaghouseDay, place: tuple[int, int]) -> bool:
    """Tell whether a bit that is recorded on change brought no point, good or bad."""
    by_change = {
        tag.tag
        for tag in day.baghouse.tag
        if tag.role is Role.ROW_SOLENOID and tag.sample is Sample.ON_CHANGE
    }
    return any(
        report.tag in by_change and report.n_points == 0
        for report in day.health
        if (report.compartment, report.row) == place
    )


def _judge_row(
    day: BaghouseDay, subject: Subject, called: float, usual: float, limits: Limits
) -> Answer:
    values = (
        Quantity("n_called", called, "1"),
        Quantity("usual_called", usual, "1"),
        Quantity("called_share", called / usual, "1"),
    )
    seen = f"{called:.0f} calls on this day, {usual:.0f} of a usual row of its compartment"
    if called >= limits["called_share"] * usual:
        return Answer.clear(subject, f"Called as its peers: {seen}.", values)
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.WATCH,
        start=day.start,
        end=day.end,
        values=values,
        text=f"The controller {'never calls' if called == 0 else 'seldom calls'} this row: {seen}. "
        "This says nothing of its valve, which was not asked; uncalled, its bags keep their cake.",
        action="At the controller: is the row skipped by design, its compartment isolated, the "
        "number of rows set too low, the output off? Else the wire of the bit to the historian.",
    )


RULE = Rule(
    name="row_not_pulsed",
    title="Row is not called",
    chapter=Chapter.ROWS,
    looks_for="A row called less than half as often as the rows of its compartment.",
    needs=(
        Need(
            any_of=(
                Role.ROW_SOLENOID,
                Role.STEP_COUNTER,
            ),
            purpose="to count the calls of each row",
        ),
    ),
    thresholds=(
        Threshold(
            "min_pulses", "20", Dimension.RATIO, "calls of a usual row before a verdict", "chosen"
        ),
        Threshold(
            "called_share", "0.5", Dimension.RATIO, "calls as a share of the usual row's", "chosen"
        ),
    ),
    check_first=(
        "controller: number of rows, outputs switched off, rows skipped by design",
        "compartment isolated for part of the day",
        "wire and record of the row's bit",
    ),
    confused_with="a bit that is no longer recorded: then the header still drops in its place",
    cautions=(Caution.LOCKOUT,),
    references=("common practice, no source",),
    judge=judge,
    marks=(
        RowMark(
            letter="N",
            word="NOT PULSED",
            words="not pulsed",
            meaning="the controller sends it no pulses",
            precedence=1,
        ),
    ),
    formerly="row_not_called",
)
