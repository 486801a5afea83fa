"""A row answers faintly: its drop of header pressure is well below its peers'.

Why: a diaphragm that opens partly, a weak solenoid, ice or dirt in the pilot line or a throttled
blowpipe lets less air out of the header, so the row's bags are cleaned poorly. Looks like, but is
not: a silent row (no drop at all), a row that answers now and then (the mean of full and missing
drops), and a header that has not recovered when this row is fired.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta

from rowcall.diagnosis.row_evidence import (
    RowEvidence,
    over_days,
    row_evidence,
    unless_most_differ,
)
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
from rowcall.site import Role
from rowcall.units import Dimension


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row from `row_evidence`."""
    day, limits = context.day, context.limits
    facts = context.facts
    answers = (
        _judge_row(day, row_evidence(facts, *place), Subject(day.baghouse.id, *place), limits)
        for place in day.baghouse.all_rows()
    )
    yield from over_days(unless_most_differ(answers, limits["max_share"]), facts)


def _judge_row(day: BaghouseDay, row: RowEvidence, subject: Subject, limits: Limits) -> Answer:
    ratio, error = row.ratio, row.ratio_error
    if math.isnan(ratio) or not row.sent >= limits["min_pulses"]:
        return Answer.cannot_tell(subject, _unheard(row))
    seen = f"its drop is {max(ratio, 0):.0%} of its peers' (standard error {error:.1%})"
    values = (Quantity("drop_ratio", ratio, "1"), Quantity("drop_ratio_error", error, "1"))
    spread = limits["errors"] * error
    is_full = ratio > limits["faint"] and ratio - spread >= limits["least"]
    if is_full or row.is_surely_silent:
        how = "Full enough" if is_full else "Not faint but silent"
        return Answer.clear(subject, f"{how}: {seen}.", values)
    misleads = _misleads(row, limits) if ratio <= limits["faint"] else ""
    if misleads:
        return Answer.cannot_tell(subject, f"{misleads}, so a mean drop misleads")
    if ratio > limits["faint"] or ratio + spread > limits["healthy"] or not row.surely_answers:
        return Answer.cannot_tell(subject, f"{seen}, too uncertain to call it faint or full")
    either = (
        ""
        if row.judged >= limits["min_pulses"]
        else (" Single pulses could not be heard: some may be full and others missing.")
    )
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        start=day.start + timedelta(seconds=row.onset_s if row.changed else 0.0),
        end=day.end,
        values=values,
        text=f"Answers faintly: {seen}{_before(day, subject)}. "
        f"Its bags are cleaned poorly.{either}",
        action="From outside: pilot line for ice, dirt or a pinch, coil and its voltage. Then, "
        "isolated and bled: both diaphragms, bleed hole, blowpipe.",
    )


def _unheard(row: RowEvidence) -> str:
    """Say why its drop has no size."""
    if row.sent == 0:
        return "the controller never called this row on this day"
    pulses = "its pulses" if math.isnan(row.sent) else f"its {row.sent:.0f} pulses"
    return f"{pulses} are too few, or too poorly heard, to size its drop"


def _misleads(row: RowEvidence, limits: Limits) -> str:
    """Say how some of its answers are full and others missing, '' where they are alike."""
    missed = row.judged - row.answered
    if row.judged >= limits["min_pulses"] and row.answered_ratio >= limits["faint"] and missed > 0:
        return f"it answered {row.answered:.0f} of {row.judged:.0f} pulses"
    return f"it answered about {row.rate:.0%} of its pulses" if row.is_intermittent else ""


def _before(day: BaghouseDay, subject: Subject) -> str:
    """Say how the row did in the week before, where there is one."""
    _, past = day.history.of(Fact.DROP_RATIO, subject.compartment, subject.row)
    if past.size < 3:
        return ""
    week = sorted(past[-7:].tolist())
    return f"; in the days before it was {week[len(week) // 2]:.0%}"


RULE = Rule(
    name="row_weak",
    title="Row answers faintly",
    chapter=Chapter.ROWS,
    looks_for="Stacked pulses whose drop is well below that of the row's peers.",
    needs=(
        Need(any_of=(Role.HEADER_PRESSURE,), purpose="to hear the pulses"),
        Need(
            any_of=(
                Role.ROW_SOLENOID,
                Role.STEP_COUNTER,
            ),
            purpose="to know which row was fired",
        ),
    ),
    thresholds=(
        Threshold(
            "max_share",
            "0.35",
            Dimension.RATIO,
            "share of a compartment's rows found beyond which the peers are in doubt",
            "chosen",
        ),
        Threshold("min_pulses", "20", Dimension.RATIO, "pulses before a verdict", "chosen"),
        Threshold("faint", "0.72", Dimension.RATIO, "drop as a share of the peers'", "chosen"),
        Threshold(
            "healthy",
            "0.85",
            Dimension.RATIO,
            "share of the peers' drop that must lie beyond its error to call it faint",
            "chosen",
        ),
        Threshold(
            "least",
            "0.5",
            Dimension.RATIO,
            "share of the peers' drop that must lie beyond its error to clear it",
            "chosen",
        ),
        Threshold("errors", "4", Dimension.RATIO, "standard errors of certainty", "chosen"),
    ),
    check_first=(
        "pilot line: ice, dirt, pinch",
        "coil and voltage under load",
        "diaphragms, bleed hole, blowpipe seat",
    ),
    confused_with="a silent row; a row that answers now and then; a header not yet recovered",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT, Caution.COMBUSTIBLE_DUST),
    references=("common practice, no source",),
    judge=judge,
    marks=(
        RowMark(
            letter="W",
            word="WEAK",
            words="weak",
            meaning="answered, with a drop well below its peers'",
            precedence=4,
        ),
    ),
    judges_valve=True,
    trial_fault="a weak row (60 % of the usual drop)",
    formerly="row_faint",
)
