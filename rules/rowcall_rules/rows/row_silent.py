"""A row is silent: no drop of header pressure after its pulse.

Why: a pulse empties part of the header into the row's blowpipe, so header pressure drops by
15-40 %. A dead solenoid, a broken wire, a stuck diaphragm or a blocked pilot vent leaves the header
full, every time, while the other rows answer. Where it happens to some of its pulses only, the row
misses pulses. Rule out: a row that the controller sends no pulses, and a header whose every row is
silent (air shut off, or its transmitter).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from rowcall.diagnosis.row_evidence import (
    SILENT_SHARE,
    RowEvidence,
    over_days,
    pulses_of,
    share_interval,
)
from rowcall.diagnosis.row_rules import (
    HEADER_PRESSURE,
    MAX_SHARE,
    MIN_PULSES,
    VALVE_WORK,
    drop_values,
    evidence_of,
    judged_of,
    not_pulsed,
    percent,
)
from rowcall.model import (
    Answer,
    BaghouseDay,
    Chapter,
    Context,
    Lack,
    Quantity,
    RowMark,
    Rule,
    Subject,
    Urgency,
    Verdict,
    limit,
    work,
)

_MAX_BY_CHANCE = 2  # rows; chosen: so many valves may well fail by themselves
_TOGETHER = timedelta(hours=1)  # chosen: a round of pulses, by which their last answers differ


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row by its single pulses, else by its stacked ones."""
    for compartment, n_rows in enumerate(context.day.baghouse.rows, start=1):
        answers = _judge_compartment(context, compartment, n_rows)
        yield from over_days(answers, context.facts)


def _judge_compartment(context: Context, compartment: int, n_rows: int) -> Iterator[Answer]:
    limits, day = context.limits, context.day
    rows = {
        context.subject(compartment, row): evidence_of(context, compartment, row)
        for row in range(1, n_rows + 1)
    }
    n_judged = sum(row.judged for row in rows.values())
    n_answered = sum(row.answered for row in rows.values())
    if n_judged >= limits["min_pulses"] and n_answered <= limits["silent_share"] * n_judged:
        return _whole_header(context, list(rows), n_judged, day.start)
    answers = [_judge_row(context, subject, row) for subject, row in rows.items()]
    judged = [answer for answer in answers if answer.verdict is not Verdict.CANNOT_TELL]
    silent = (answer for answer in judged if answer.urgency is Urgency.NEXT_OUTAGE)
    silent_since = [answer.start or day.start for answer in silent]
    if len(silent_since) == len(judged) > 1:
        return _whole_header(context, list(rows), n_judged, max(silent_since))
    alike = _silent_alike(answers, day.start)
    if len(alike) > max(limits[MAX_SHARE.key] * len(rows), _MAX_BY_CHANCE):
        return _one_cause(context, answers, alike)
    return _hurry_many(answers, limits["many_share"])


def _judge_row(context: Context, subject: Subject, row: RowEvidence) -> Answer:
    if math.isnan(row.sent) and row.judged == 0:
        why = "nothing shows which row was pulsed"
        return Answer.cannot_tell(subject, why, Lack.ROW_SIGNAL)
    if row.sent == 0:
        return not_pulsed(subject)
    if row.judged >= context.limits["min_pulses"]:
        return _by_pulses(context, subject, row)
    return _by_stack(context, subject, row)


def _by_pulses(context: Context, subject: Subject, row: RowEvidence) -> Answer:
    """Judge by the pulses that could be judged one by one."""
    limits, values = context.limits, _counts(row)
    last_answer_s, n_since = _silence(context.day, subject)
    is_silent = row.answered <= limits["silent_share"] * row.judged
    if is_silent and row.surely_answers:
        stacked = f"{percent(row.ratio)} of its peers' drop"
        why = f"single pulses show no drop, but stacked they show {stacked}"
        return Answer.cannot_tell(subject, why, Lack.NOTHING)
    if row.answers_otherwise or (row.days > 1 and row.changed and row.is_surely_silent):
        return _since_change(context, subject, row, values)
    is_silent_since = n_since >= limits["min_pulses"]
    if is_silent or is_silent_since:
        text = _silent_text(row, n_since if is_silent_since else 0)
        return _silent(context, subject, last_answer_s, text, values)
    seen = f"a pressure drop at {row.answered:,.0f} of {judged_of(row)}"
    n_missed = row.judged - row.answered
    is_steady = row.answered >= limits["steady_share"] * row.judged
    if is_steady or n_missed < limits["min_missed"]:
        is_certain = row.answered >= limits["steady_share"] * (row.judged + row.in_doubt)
        return _answers(subject, row, seen, values, is_certain=is_certain)
    if row.answered_ratio < limits["full_share"]:
        return Answer.clear(subject, f"Not silent but weak: {seen}.", values)
    return _misses_pulses(context, subject, row, seen, values)


def _counts(row: RowEvidence) -> tuple[Quantity, ...]:
    low, high = share_interval(row.answered, row.judged)
    return (
        Quantity("n_judged", row.judged, "1"),
        Quantity("n_answered", row.answered, "1"),
        *_answered_share(row.answered / row.judged, low, high),
    )


def _answered_share(share: float, low: float, high: float) -> tuple[Quantity, ...]:
    return (
        Quantity("answered_share", share, "1"),
        Quantity("answered_share_low", low, "1"),
        Quantity("answered_share_high", high, "1"),
    )


def _since_change(
    context: Context, subject: Subject, row: RowEvidence, values: tuple[Quantity, ...]
) -> Answer:
    since = (
        f"since it changed: {percent(row.ratio)} of its peers' drop then, "
        f"{percent(row.before)} before. Standard error {percent(row.ratio_error, 1)}."
    )
    if row.answers_otherwise:
        return Answer.clear(subject, f"Answers, otherwise {since}", values)
    return _silent(context, subject, row.since_s, f"Silent {since}", values)


def _silent_text(row: RowEvidence, n_since: int) -> str:
    """Say how silent a row is; `n_since` pulses since its last answer, 0 where few of many."""
    seen = f"a pressure drop at {row.answered:,.0f} of {judged_of(row)}"
    if not row.answered:
        when = "all day" if row.days == 1 else "throughout"
        text = f"Silent {when}: no pressure drop at any of {judged_of(row)}"
    elif n_since:
        text = f"Silent for its last {n_since:,} pulses: {seen}, all earlier"
    else:
        text = f"Silent with few exceptions: {seen}"
    return f"{text}; other rows show their usual drop."


def _answers(
    subject: Subject,
    row: RowEvidence,
    seen: str,
    values: tuple[Quantity, ...],
    *,
    is_certain: bool,
) -> Answer:
    if is_certain:
        return Answer.clear(subject, f"Answers: {seen}.", values)
    return Answer.cannot_tell(
        subject,
        f"{seen}; after {row.in_doubt:,.0f} others no point was recorded, and whether samples were "
        "lost there or it missed these pulses does not show",
        Lack.EVERY_SAMPLE,
    )


def _silence(day: BaghouseDay, subject: Subject) -> tuple[float, int]:
    """Return the time of the last answered pulse [s] and how many unanswered ones followed."""
    judged = day.pulses.filter(
        (pl.col("compartment") == subject.compartment)
        & (pl.col("row") == subject.row)
        & pl.col("answered").is_not_null()
    )
    answered = np.flatnonzero(judged["answered"].to_numpy())
    if answered.size == 0:
        return 0.0, judged.height
    return float(judged["time_s"][int(answered[-1])]), judged.height - 1 - int(answered[-1])


def _by_stack(context: Context, subject: Subject, row: RowEvidence) -> Answer:
    """Judge by all pulses stacked, where hardly one could be judged by itself."""
    if row.in_step:
        why = (
            "the samples are in step with the pulses and meet each at the same moment, so "
            f"{pulses_of(row)} could not be judged"
        )
        return Answer.cannot_tell(subject, why, Lack.PHASES)
    if not row.sent >= context.limits["min_pulses"] or math.isnan(row.ratio):
        why = f"only {row.judged:,.0f} of its pulses could be judged"
        return Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
    seen = (
        f"{pulses_of(row)}, stacked, show {percent(row.ratio)} of its peers' drop "
        f"(standard error {percent(row.ratio_error, 1)})"
    )
    if row.is_surely_silent:
        return _silent(context, subject, row.since_s, f"Silent: {seen}.", drop_values(row))
    if row.is_intermittent and row.rate_high < context.limits["steady_share"]:
        rate = f"about {percent(row.rate)} of {pulses_of(row)} were answered, by how they scatter"
        values = _answered_share(row.rate, row.rate_low, row.rate_high)
        return _misses_pulses(context, subject, row, rate, values)
    if row.surely_answers:
        return Answer.clear(subject, f"Answers: {seen}.", drop_values(row))
    return Answer.cannot_tell(subject, f"not certain enough: {seen}", Lack.FINE_PRESSURE)


def _silent(
    context: Context, subject: Subject, since_s: float, text: str, values: tuple[Quantity, ...]
) -> Answer:
    urgency, start = Urgency.NEXT_OUTAGE, context.at(since_s)
    return context.found(subject, urgency, text, _SILENT_ACTION, values, start=start)


def _misses_pulses(
    context: Context, subject: Subject, row: RowEvidence, seen: str, values: tuple[Quantity, ...]
) -> Answer:
    is_back = row.changed and row.before < SILENT_SHARE and row.surely_answers
    text = (
        f"Was silent and answers again: {seen}."
        if is_back
        else f"Misses pulses: {seen}. Its bags are under-cleaned."
    )
    end = context.at(row.onset_s) if is_back else None
    return context.found(subject, Urgency.WATCH, text, _MISSES_ACTION, values, end=end)


def _whole_header(
    context: Context, rows: Sequence[Subject], n_judged: float, start: datetime
) -> Iterator[Answer]:
    any_more = "" if start == context.day.start else " any more"
    yield context.found(
        context.subject(rows[0].compartment),
        Urgency.NOW,
        f"No row of this compartment shows a pressure drop{any_more} ({n_judged:,.0f} pulses that "
        "could be judged): no cleaning, or a header transmitter that does not show it.",
        _HEADER_ACTION,
        (Quantity("n_judged", n_judged, "1"),),
        start=start,
    )
    why = "no row of this compartment answers"
    yield from (Answer.cannot_tell(row, why, Lack.NOTHING) for row in rows)


def _silent_alike(answers: Sequence[Answer], day_start: datetime) -> Mapping[Subject, datetime]:
    """Return the silent rows that most of such rows fell silent with, and since when."""
    silent = (one for one in answers if one.urgency is Urgency.NEXT_OUTAGE)
    since = {one.subject: one.start or day_start for one in silent}
    groups = (
        {subject: at for subject, at in since.items() if abs(at - first) <= _TOGETHER}
        for first in since.values()
    )
    return max(groups, key=len, default={})


def _one_cause(
    context: Context, answers: Sequence[Answer], alike: Mapping[Subject, datetime]
) -> Iterator[Answer]:
    """Say once that so many rows are silent alike: it may not be their valves."""
    number = answers[0].subject.compartment
    names = ", ".join(str(subject.row) for subject in alike)
    yield context.found(
        context.subject(number),
        Urgency.NOW,
        f"{len(alike)} of {len(answers)} rows are silent alike ({names}): one cause is likelier "
        "than as many dead valves. They are not cleaned, or this header's pressure does not show "
        "them.",
        _ALIKE_ACTION,
        (Quantity("n_silent", len(alike), "1"),),
        start=max(alike.values()),
    )
    why = f"{len(alike)} of {len(answers)} rows are silent alike, so it may not be its valve"
    for answer in answers:
        is_alike = answer.subject in alike
        yield Answer.cannot_tell(answer.subject, why, Lack.NOTHING) if is_alike else answer


def _hurry_many(answers: Sequence[Answer], many_share: float) -> Iterator[Answer]:
    """Make the findings urgent where several rows of the compartment are found."""
    n_found = sum(answer.verdict is Verdict.FOUND for answer in answers)
    is_urgent = n_found > 1 and n_found >= many_share * len(answers)
    for answer in answers:
        if is_urgent and answer.verdict is Verdict.FOUND:
            text = f"{answer.text} Several rows of this compartment fail together."
            yield replace(answer, urgency=Urgency.NOW, text=text)
        else:
            yield answer


_SILENT_ACTION = work(
    outside="Pulse this row manually from the controller, standing clear, and listen for its "
    "valve; look whether the controller's indicator of this output lights.",
    isolated="fuse, wire and coil (swap the coil with a neighbour's), pilot vent and line, both "
    "diaphragms.",
)
_MISSES_ACTION = work(
    outside="Pulse this row manually from the controller several times, standing clear: does "
    "every pulse sound?",
    isolated="wiring, coil and pilot line of this row for a loose contact, dirt or ice.",
)
_ALIKE_ACTION = work(
    outside="Look whether these rows have an air valve or a header of their own, and whether it is "
    "open and pressurised; whether the transmitter belongs to them; whether their outputs light.",
    isolated="output card, common and fuse that these rows share.",
)
_HEADER_ACTION = work(
    outside="Read the local gauge: is the header pressurised, and does the transmitter agree? "
    "Look whether the controller's output indicators light when it pulses.",
    isolated="supply and fuse of the row valves, line of the transmitter.",
)

RULE = Rule(
    name="row_silent",
    title="Row is silent or misses pulses",
    chapter=Chapter.ROWS,
    looks_for="Pulses of a row after which header pressure does not drop.",
    needs=(HEADER_PRESSURE,),
    thresholds=(
        MAX_SHARE,
        MIN_PULSES,
        limit(
            "silent_share",
            "0.1",
            "answered share at or below which a row is silent",
            chosen="a pulse judged wrongly now and then must not hide a dead valve",
        ),
        limit(
            "steady_share",
            "0.9",
            "answered share below which a row misses pulses",
            chosen="a sound valve misses none; leaves room for pulses judged wrongly",
        ),
        limit(
            "min_missed",
            "3",
            "unanswered pulses it takes for that",
            chosen="one or two may be judged wrongly",
        ),
        limit(
            "full_share",
            "0.6",
            "drop of its answered pulses, of the peers', below which it is weak instead",
            chosen="a weak row makes 30-60 % of its peers' drop",
        ),
        limit(
            "many_share",
            "0.2",
            "share of a compartment's rows found, two at least, at which they become urgent",
            chosen="with every fifth row out the residual DP rises before the next outage",
        ),
    ),
    check_first=(
        "pulse it manually, standing clear, and listen for the valve",
        "indicator of the output at the controller",
        "isolated and bled: fuse, wire, coil, output card; pilot vent and line (dirt, ice); "
        "diaphragms, both of a double valve",
    ),
    confused_with="a row that the controller sends no pulses; a header transmitter that has failed",
    cautions=VALVE_WORK,
    judge=judge,
    excused_off=True,
    marks=(
        RowMark("S", "silent", "pulsed, but header pressure did not drop", 2),
        RowMark(
            "M", "misses pulses", "answered some of its pulses and not others", 3, watch_only=True
        ),
    ),
    judges_valve=True,
    trial_fault="a silent row",
)
