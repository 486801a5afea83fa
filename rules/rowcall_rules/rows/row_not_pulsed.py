"""The controller sends a row no pulses, or far fewer than the others.

Why: the bags of a row without pulses stay caked, and nothing shows at its valve, which may be fine:
no solenoid bit, no drop. Causes lie before the valve: the number of rows set at the controller, a
row skipped by design, an output switched off. Rule out: a bit that is scanned and mostly missed, a
bit that is no longer recorded, and a compartment that is isolated (then none of its rows is
pulsed).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rowcall.diagnosis.row_rules import ROWS_NAMED
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    Fact,
    Lack,
    Need,
    Quantity,
    RowMark,
    Rule,
    Subject,
    Urgency,
    limit,
    work,
)
from rowcall.site import ROLES, Role, Sample


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row by its pulses over those of the compartment's median row."""
    for compartment, n_rows in enumerate(context.day.baghouse.rows, start=1):
        rows = range(1, n_rows + 1)
        sent = [context.facts.of(Fact.N_SENT, compartment, row) for row in rows]
        counted = [
            n for row, n in zip(rows, sent, strict=True) if not context.off(compartment, row)
        ]
        usual = float(np.median(counted or sent))
        for row, n_sent in zip(rows, sent, strict=True):
            subject = context.subject(compartment, row)
            unknown = _unknown(context, subject, usual)
            yield unknown or _judge_row(context, subject, n_sent, usual)


def _unknown(context: Context, subject: Subject, usual: float) -> Answer | None:
    """Say why the pulses sent to a row are not known, None where they are."""
    day, place = context.day, (subject.compartment, subject.row)
    if subject.compartment in day.inferred:
        why = "its pulses are inferred from header pressure, where a row skipped leaves no gap"
        return Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
    if not day.fires_known or math.isnan(usual):
        why = "its bits are scanned or incomplete, and a bit that was missed is no row skipped"
        return Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
    if usual < context.limits["min_pulses"]:
        why = f"the rows of its compartment were sent only {usual:,.0f} pulses on this day"
        return Answer.cannot_tell(subject, why, Lack.NOTHING)
    if not any(role is Role.ROW_SOLENOID for role, *_ in day.signals):
        return None  # a counter names every row that is pulsed
    if (Role.ROW_SOLENOID, *place) in day.signals or _is_unmoved(day, place):
        return None
    why = "its own bit is not usable on this day"
    return Answer.cannot_tell(subject, why, Lack.USABLE_TAG, "the row's own bit")


def _is_unmoved(day: BaghouseDay, place: tuple[int, int]) -> bool:
    """Return whether a bit that is recorded by change brought no point, good or bad."""
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


def _counter_problem(day: BaghouseDay, compartment: int) -> str:
    """Say what is wrong with the step counter that counted a compartment's pulses, '' if nothing.

    A row without a pulse may be one that it numbers otherwise than the site file does.
    """
    if any(role is Role.ROW_SOLENOID for role, *_ in day.signals):
        return ""
    problems = (
        report.problem
        for report in day.health
        if report.role is Role.STEP_COUNTER and report.compartment in (0, compartment)
    )
    return next(filter(None, problems), "")


def _judge_row(context: Context, subject: Subject, n_sent: float, usual: float) -> Answer:
    values = (
        Quantity("n_sent", n_sent, "1"),
        Quantity("usual_sent", usual, "1"),
        Quantity("sent_share", n_sent / usual, "1"),
    )
    seen = f"{n_sent:,.0f} on this day, {usual:,.0f} to a usual row of its compartment"
    if n_sent >= context.limits["sent_share"] * usual:
        return Answer.clear(subject, f"Pulsed as its peers: {seen}.", values)
    doubt = _counter_problem(context.day, subject.compartment)
    if doubt:
        why = f"{doubt} (pulses: {seen})"
        return Answer.cannot_tell(subject, why, Lack.USABLE_TAG, ROLES[Role.STEP_COUNTER].name)
    text = (
        f"The controller sends this row {'few' if n_sent else 'no'} pulses: {seen}. The valve may "
        "be fine; its bags stay caked."
    )
    return context.found(subject, Urgency.WATCH, text, _ACTION, values)


_ACTION = work(
    outside="At the controller: is the row skipped by design, its compartment isolated, the "
    "number of rows set too low, the output switched off? Else see whether the row's bit still "
    "reaches the historian."
)

RULE = Rule(
    name="row_not_pulsed",
    title="Row is not pulsed",
    chapter=Chapter.ROWS,
    looks_for="A row sent less than half as many pulses as the rows of its compartment.",
    needs=(Need(any_of=ROWS_NAMED, purpose="to count the pulses sent to each row"),),
    thresholds=(
        limit(
            "min_pulses",
            "20",
            "pulses of a usual row before any is judged",
            chosen="a day that begins or ends within a round shifts a count by one, here 5 %",
        ),
        limit(
            "sent_share",
            "0.5",
            "pulses as a share of the usual row's, below which a row is found",
            chosen="between a row skipped (0) and one pulsed in every round (1)",
        ),
    ),
    check_first=(
        "controller: number of rows, outputs switched off, rows skipped by design",
        "compartment isolated for part of the day",
        "whether the row's bit reaches the historian and is recorded",
    ),
    confused_with="a bit that is no longer recorded: then the header still drops in its place",
    cautions=(Caution.LOCKOUT,),
    judge=judge,
    excused_off=True,
    marks=(RowMark("N", "not pulsed", "the controller sends it no pulses", 1),),
    formerly="row_not_called",
)
