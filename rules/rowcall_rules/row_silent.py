"""A row does not answer its pulse: no drop of header pressure when it is fired.

Why: a fired row empties part of the header into its blowpipe, so header pressure drops by 15-40 %.
A dead solenoid, a broken wire, a stuck diaphragm or a blocked pilot vent leaves the header full,
every time, while its neighbours answer. Looks like, but is not: a row that the controller never
calls (no fire at all), and a header whose every row is silent (air shut off, or its transmitter).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from rowcall.diagnosis.row_evidence import (
    SILENT_SHARE,
    RowEvidence,
    over_days,
    row_evidence,
    share_interval,
)
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Chapter,
    Context,
    FactBook,
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
    yield from over_days(_answers(day, facts, limits), facts)


def _answers(day: BaghouseDay, facts: FactBook, limits: Limits) -> Iterator[Answer]:
    for compartment, n_rows in enumerate(day.baghouse.rows, start=1):
        rows = {
            Subject(day.baghouse.id, compartment, row): row_evidence(facts, compartment, row)
            for row in range(1, n_rows + 1)
        }
        answered, heard = (
            sum(getattr(row, name) for row in rows.values()) for name in ("answered", "judged")
        )
        if heard >= limits["min_pulses"] and answered <= limits["silent_share"] * heard:
            yield from _whole_header(day, list(rows), heard, day.start)
            continue
        found = [_judge_row(day, row, subject, limits) for subject, row in rows.items()]
        judged = [answer for answer in found if answer.verdict is not Verdict.CANNOT_TELL]
        gone = [answer.start or day.start for answer in judged if _is_silent(answer)]
        if len(gone) == len(judged) > 1:
            yield from _whole_header(day, list(rows), heard, max(gone))
            continue
        n_found = sum(answer.verdict is Verdict.FOUND for answer in found)
        urgent = n_found > 1 and n_found >= limits["many_share"] * n_rows
        for answer in found:
            yield _hurry(answer) if urgent and answer.verdict is Verdict.FOUND else answer


def _judge_row(day: BaghouseDay, row: RowEvidence, subject: Subject, limits: Limits) -> Answer:
    if math.isnan(row.sent) and row.judged == 0:
        return Answer.cannot_tell(subject, "nothing tells which row was fired")
    if row.sent == 0:
        return Answer.cannot_tell(
            subject,
            "the controller never called this row on this day, which says nothing of its valve",
        )
    if row.judged >= limits["min_pulses"]:
        return _by_pulses(day, row, subject, limits)
    return _by_stack(day, row, subject, limits)


def _by_pulses(day: BaghouseDay, row: RowEvidence, subject: Subject, limits: Limits) -> Answer:
    """Judge by the pulses that were heard one by one."""
    heard, answered = row.judged, row.answered
    low, high = share_interval(answered, heard)
    values = (
        Quantity("n_heard", heard, "1"),
        Quantity("n_answered", answered, "1"),
        Quantity("answered_share", answered / heard, "1"),
        Quantity("answered_share_low", low, "1"),
        Quantity("answered_share_high", high, "1"),
    )
    last_answer_s, n_since = _silence(day, subject)
    is_silent = answered <= limits["silent_share"] * heard
    if is_silent and row.surely_answers:
        return Answer.cannot_tell(
            subject,
            "none of its pulses drew the header down as its neighbours' do, but all of them "
            f"together show {row.ratio:.0%} of their drop",
        )
    if row.days > 1 and row.changed and row.is_surely_silent:
        return _silent(
            day,
            subject,
            row.onset_s,
            values,
            f"Silent since it changed: {row.ratio:.0%} of its peers' drop then "
            f"(standard error {row.ratio_error:.1%}), {row.before:.0%} before.",
        )
    if n_since >= limits["min_pulses"] or is_silent:
        throughout = "all day" if row.days == 1 else "throughout"
        since = throughout if answered == 0 else f"for its last {n_since} pulses"
        return _silent(
            day,
            subject,
            last_answer_s,
            values,
            f"Silent {since}: {answered:.0f} of {heard:.0f} pulses heard were answered; "
            "its neighbours draw the header down as usual.",
        )
    seen = f"{answered:.0f} of {heard:.0f} pulses heard"
    missed = heard - answered
    if answered < limits["steady_share"] * heard and missed >= limits["min_missed"]:
        if row.answered_ratio < limits["full_share"]:
            return Answer.clear(
                subject, f"Answers faintly rather than not: {seen} showed a drop.", values
            )
        return _now_and_then(
            day,
            row,
            subject,
            values,
            f"{seen} were answered ({answered / heard:.0%}; 95 % interval {low:.0%} to {high:.0%})",
        )
    return Answer.clear(subject, f"Answered {seen}.", values)


def _now_and_then(
    day: BaghouseDay,
    row: RowEvidence,
    subject: Subject,
    values: tuple[Quantity, ...],
    seen: str,
) -> Answer:
    recovered = row.changed and row.before < SILENT_SHARE and row.surely_answers
    since = day.start + timedelta(seconds=row.onset_s) if recovered else None
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.WATCH,
        start=day.start,
        end=since or day.end,
        values=values,
        text=f"Was silent and answers again: {seen}."
        if recovered
        else f"Answers now and then: {seen}. Its bags are cleaned too seldom.",
        action="Check the wiring, the coil and the pilot line of this row for a loose contact, "
        "dirt or ice.",
    )


def _by_stack(day: BaghouseDay, row: RowEvidence, subject: Subject, limits: Limits) -> Answer:
    """Judge by all pulses laid over each other, where hardly one was heard by itself."""
    called = row.sent
    if row.in_step:
        return Answer.cannot_tell(
            subject,
            "the samples are in step with the pulses and meet each at the same moment, so its "
            f"{called:.0f} pulses could not be heard",
        )
    if not called >= limits["min_pulses"] or math.isnan(row.ratio):
        return Answer.cannot_tell(
            subject, f"only {row.judged:.0f} of its pulses fell where the header was heard"
        )
    seen = (
        f"its {called:.0f} pulses laid over each other show {max(row.ratio, 0):.0%} of its peers' "
        f"drop (standard error {row.ratio_error:.1%})"
    )
    values = (
        Quantity("drop_ratio", row.ratio, "1"),
        Quantity("drop_ratio_error", row.ratio_error, "1"),
    )
    if row.is_surely_silent:
        since = row.onset_s if row.changed else 0.0
        return _silent(day, subject, since, values, f"Silent: {seen}.")
    if row.is_intermittent and row.rate_high < limits["steady_share"]:
        rate = (
            f"about {row.rate:.0%} of its {called:.0f} pulses were answered "
            f"(95 % interval {row.rate_low:.0%} to {row.rate_high:.0%})"
        )
        rates = (
            Quantity("answered_share", row.rate, "1"),
            Quantity("answered_share_low", row.rate_low, "1"),
            Quantity("answered_share_high", row.rate_high, "1"),
        )
        return _now_and_then(day, row, subject, rates, f"{rate}, told by how far they spread")
    if row.surely_answers:
        return Answer.clear(subject, f"Answers: {seen}.", values)
    return Answer.cannot_tell(subject, f"not enough was heard: {seen}")


def _silent(
    day: BaghouseDay, subject: Subject, since_s: float, values: tuple[Quantity, ...], text: str
) -> Answer:
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        start=day.start + timedelta(seconds=since_s),
        end=day.end,
        values=values,
        text=text,
        action=_ACTION,
    )


def _silence(day: BaghouseDay, subject: Subject) -> tuple[float, int]:
    """Return the time of the last answered pulse [s] and how many unanswered ones followed."""
    heard = day.pulses.filter(
        (pl.col("compartment") == subject.compartment)
        & (pl.col("row") == subject.row)
        & pl.col("answered").is_not_null()
    )
    answered = np.flatnonzero(heard["answered"].to_numpy())
    if answered.size == 0:
        return 0.0, heard.height
    return float(heard["time_s"][int(answered[-1])]), heard.height - 1 - int(answered[-1])


def _is_silent(answer: Answer) -> bool:
    return answer.verdict is Verdict.FOUND and answer.urgency is Urgency.NEXT_OUTAGE


def _whole_header(
    day: BaghouseDay, rows: Sequence[Subject], heard: float, start: datetime
) -> Iterator[Answer]:
    any_more = "" if start == day.start else " any more"
    yield Answer(
        subject=replace(rows[0], row=0),
        verdict=Verdict.FOUND,
        urgency=Urgency.NOW,
        start=start,
        end=day.end,
        values=(Quantity("n_heard", heard, "1"),),
        text=f"No row of this compartment draws the header down{any_more} ({heard:.0f} pulses "
        "heard): no cleaning, or a header transmitter that does not show it.",
        action="See whether the header is pressurised and the row valves have power; read the "
        "local gauge against the transmitter.",
    )
    yield from (Answer.cannot_tell(row, "no row of this compartment answers") for row in rows)


def _hurry(answer: Answer) -> Answer:
    text = answer.text + " Several rows of this compartment are out together."
    return replace(answer, urgency=Urgency.NOW, text=text)


_ACTION = (
    "From outside: fire this row by hand and listen at its valve; check fuse, wire and coil "
    "(swap the coil with a neighbour's). Then, isolated and bled: pilot vent, and both diaphragms."
)

RULE = Rule(
    name="row_silent",
    title="Row does not answer its pulse",
    chapter=Chapter.ROWS,
    looks_for="Fires of a row after which header pressure does not drop.",
    needs=(
        Need(
            any_of=(Role.HEADER_PRESSURE,),
            purpose="to hear the pulses, and to tell rows without bits",
        ),
    ),
    thresholds=(
        Threshold("min_pulses", "20", Dimension.RATIO, "pulses heard before a verdict", "chosen"),
        Threshold(
            "silent_share", "0.1", Dimension.RATIO, "answered share at or below: silent", "chosen"
        ),
        Threshold(
            "steady_share",
            "0.9",
            Dimension.RATIO,
            "answered share below: answers now and then",
            "chosen",
        ),
        Threshold(
            "min_missed", "3", Dimension.RATIO, "unanswered pulses it takes for that", "chosen"
        ),
        Threshold(
            "full_share",
            "0.6",
            Dimension.RATIO,
            "drop of its answers, of the peers', below which it is faint instead",
            "chosen",
        ),
        Threshold(
            "many_share",
            "0.2",
            Dimension.RATIO,
            "share of a compartment's rows found at which it becomes urgent",
            "chosen",
        ),
    ),
    check_first=(
        "listen or feel at the valve on a manual step",
        "fuse, wire, coil, output card",
        "pilot vent and line (dirt, ice)",
        "diaphragms, both of a double valve",
    ),
    confused_with="a row the controller skips; a header transmitter that has died",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT, Caution.COMBUSTIBLE_DUST),
    references=("common practice, no source",),
    judge=judge,
    marks=(
        RowMark(
            letter="S",
            word="SILENT",
            words="silent",
            meaning="pulsed, but header pressure did not drop",
            precedence=2,
        ),
        RowMark(
            letter="M",
            word="MISSES PULSES",
            words="misses pulses",
            meaning="answered some of its pulses and not others",
            precedence=3,
            watch_only=True,
        ),
    ),
    judges_valve=True,
    trial_fault="a silent row",
)
