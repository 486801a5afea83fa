"""A row's pulse is weak: its pressure drop is well below its peers'.

Why: a diaphragm that opens partly, a weak solenoid, ice or dirt in the pilot line or a throttled
blowpipe lets less air out of the header, so the row's bags are under-cleaned. Rule out: a silent
row (no drop at all), a row that misses pulses (the mean of full and missing drops), and a header
that has not recovered when this row is pulsed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from statistics import median_high

import numpy as np
import polars as pl

from rowcall.diagnosis.row_evidence import RowEvidence
from rowcall.diagnosis.row_rules import (
    HEADER_PRESSURE,
    MAX_SHARE,
    MIN_PULSES,
    VALVE_WORK,
    against_peers,
    drop_values,
    judged_of,
    not_observable,
    percent,
)
from rowcall.model import (
    Answer,
    Chapter,
    Context,
    Fact,
    Lack,
    Limits,
    RowMark,
    Rule,
    Subject,
    Urgency,
    limit,
    work,
)

_MIN_PAST = 3  # chosen: days before today whose median says what was usual
_WEEK = 7  # days
_ERRORS_95 = 1.96  # standard errors of a 95 % interval


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row by its drop over that of the reference rows."""
    return against_peers(context, _judge_row)


def _judge_row(context: Context, subject: Subject, row: RowEvidence) -> Answer:
    limits, ratio = context.limits, row.ratio
    if math.isnan(ratio) or not row.sent >= limits["min_pulses"]:
        return not_observable(subject, row, "size its pressure drop")
    seen = f"its pressure drop is {percent(ratio)} of its peers'"
    error = percent(row.ratio_error, 1)
    if _is_full(row, limits) or row.is_surely_silent:
        how = "Full enough" if _is_full(row, limits) else "Not weak but silent"
        return Answer.clear(subject, f"{how}: {seen} (standard error {error}).", drop_values(row))
    is_mean = ratio <= limits["weak"] and not row.answers_otherwise
    two_kinds = _two_kinds(row, limits) if is_mean else ""
    if two_kinds:
        return Answer.cannot_tell(subject, f"{two_kinds}, so a mean drop misleads", Lack.NOTHING)
    if not _is_weak(row, limits):
        why = f"{seen} (standard error {error}), too uncertain to call it weak or full"
        return Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
    past = _always(context, subject, row, limits)
    if past:
        text = (
            f"Its pressure drop has always been {percent(ratio)} of its neighbours', "
            f"on {past + 1:,} days, all that are known: differs by design, or was weak from the "
            "start. If its bags are fewer, state them in the site file; else treat it as weak."
        )
        return context.found(subject, Urgency.WATCH, text, _ACTION, drop_values(row))
    text = f"Weak pulse: {seen}{_before(context, subject, row)}. Its bags are under-cleaned."
    if _is_first_day(context, subject) and ratio >= limits["by_design"]:
        text += " No earlier day is known: a row with fewer bags looks the same."
    if row.judged < limits["min_pulses"]:
        text += " Its pulses could not be judged one by one: some may be full and others missing."
    return context.found(
        subject,
        Urgency.NEXT_OUTAGE,
        f"{text} Standard error {error}.",
        _ACTION,
        drop_values(row),
        start=context.at(row.since_s),
    )


def _is_full(row: RowEvidence, limits: Limits) -> bool:
    low = row.ratio - limits["errors"] * row.ratio_error
    return row.ratio > limits["weak"] and low >= limits["full"]


def _is_weak(row: RowEvidence, limits: Limits) -> bool:
    high = row.ratio + limits["errors"] * row.ratio_error
    return row.ratio <= limits["weak"] and high <= limits["healthy"] and row.surely_answers


def _two_kinds(row: RowEvidence, limits: Limits) -> str:
    """Say how some of its pulses are full and others missing, '' where they are alike."""
    is_judged = row.judged >= limits["min_pulses"]
    if is_judged and row.answered_ratio >= limits["weak"] and row.answered < row.judged:
        return f"it answered {row.answered:,.0f} of {judged_of(row)}"
    return f"it answered about {percent(row.rate)} of its pulses" if row.is_intermittent else ""


def _before(context: Context, subject: Subject, row: RowEvidence) -> str:
    """Say how the row did before, earlier on the day or, where enough is known, in the week."""
    if row.changed:
        return f" since it changed ({percent(row.before)} before)"
    days, past = context.history.of(Fact.DROP_RATIO, subject.compartment, subject.row)
    if past.size < _MIN_PAST:
        return ""
    ratio = past / row.expected
    week = median_high(ratio[-_WEEK:].tolist())
    good = np.flatnonzero(ratio >= context.limits["healthy"])
    once = ""
    if good.size and week < context.limits["healthy"]:
        last = days[int(good[-1])]
        usual = median_high(ratio[good[-_WEEK:]].tolist())
        once = f", {percent(usual)} until {last.day} {last:%b}"
    return f" ({percent(week)} in the days before{once})"


def _is_first_day(context: Context, subject: Subject) -> bool:
    _, past = context.history.of(Fact.DROP_RATIO, subject.compartment, subject.row)
    return past.size == 0


def _always(context: Context, subject: Subject, row: RowEvidence, limits: Limits) -> int:
    """Return on how many days the row had this very drop, 0 where it ever had another.

    Days of before a repair count: one that did not help leaves a weak row, not one by design.
    """
    known = context.history
    whole = replace(known, facts=pl.concat([known.facts, known.cut]))
    _, past = whole.of(Fact.DROP_RATIO, subject.compartment, subject.row)
    is_long = past.size >= limits["always_days"] and not row.changed
    within = limits["always_within"] + _ERRORS_95 * row.ratio_error
    is_same = is_long and float(abs(past / row.expected - row.ratio).max()) <= within
    return past.size if is_same and row.ratio >= limits["by_design"] else 0


_ACTION = work(
    outside="Pulse this row manually from the controller, standing clear: does it sound weaker "
    "than its neighbours?",
    isolated="pilot line (ice, dirt, a pinch), resistance of the coil, both diaphragms, bleed "
    "hole, blowpipe.",
)

RULE = Rule(
    name="row_weak",
    title="Row's pulse is weak",
    chapter=Chapter.ROWS,
    looks_for="Stacked pulses whose pressure drop is well below that of the row's peers.",
    needs=(HEADER_PRESSURE,),
    thresholds=(
        MAX_SHARE,
        MIN_PULSES,
        limit(
            "weak",
            "0.72",
            "drop as a share of the peers', at or below which a pulse is weak",
            chosen="a weak row makes 30-60 %, sound rows differ by 3-5 %; between these with room",
        ),
        limit(
            "healthy",
            "0.85",
            "share of the peers' drop that must lie beyond its error to call it weak",
            chosen="three times the spread of sound rows below their mean",
        ),
        limit(
            "full",
            "0.5",
            "share of the peers' drop that must lie beyond its error to clear it",
            chosen="a row at half of its peers' drop is weak without doubt",
        ),
        limit(
            "always_days",
            "1",
            "days of history, all with one and the same drop, for a row to differ by design",
            chosen="of a row that never had another drop no day shows which it is",
        ),
        limit(
            "always_within",
            "0.06",
            "share of the peers' drop by which these days may differ",
            chosen="errors of a day's drop are 1-2 %",
        ),
        limit(
            "by_design",
            "0.5",
            "share of the peers' drop below which no row differs by design",
            chosen="no row has less than half of the others' bags",
        ),
        limit(
            "errors",
            "4",
            "standard errors of certainty",
            chosen="one row-day in 30,000 lies beyond by chance",
        ),
    ),
    check_first=(
        "pulse it manually, standing clear: how it sounds against its neighbours",
        "isolated and bled: pilot line (ice, dirt, pinch), resistance of the coil, diaphragms, "
        "bleed hole, seat of the blowpipe",
    ),
    confused_with="a silent row; a row that misses pulses; a header not yet recovered",
    cautions=VALVE_WORK,
    judge=judge,
    excused_off=True,
    marks=(RowMark("W", "weak", "answered, with a drop well below its peers'", 4),),
    judges_valve=True,
    trial_fault="a weak row (60 % of the usual drop)",
    formerly="row_faint",
)
