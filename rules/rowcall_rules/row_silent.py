"""A row does not answer its pulse: no drop of header pressure when it is fired.

Why: a fired row empties part of the header into its blowpipe, so header pressure drops by 15-40 %.
A dead solenoid, a broken wire, a stuck diaphragm or a blocked pilot vent leaves the header full,
every time, while its neighbours answer. Looks like, but is not: a row that the controller never
calls (no fire at all), and a header whose every row is silent (air shut off, or its transmitter).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from rowcall.diagnosis.fact_book import Place, fact_book
from rowcall.model import (
    Answer,
    BaghouseDay,
    Caution,
    Limits,
    Need,
    Quantity,
    Rule,
    Subject,
    Threshold,
    Urgency,
    Verdict,
)
from rowcall.site import Role
from rowcall.units import Dimension


def judge(day: BaghouseDay, limits: Limits) -> Iterator[Answer]:
    """Answer for every row; reads `pulses.answered` and the facts n_called, n_heard, n_answered."""
    facts = fact_book(day.facts)
    for compartment, n_rows in enumerate(day.baghouse.rows, start=1):
        rows = [Subject(day.baghouse.id, compartment, row) for row in range(1, n_rows + 1)]
        answered, heard = (
            sum(facts.get((compartment, s.row, name), 0) for s in rows)
            for name in ("n_answered", "n_heard")
        )
        if heard >= limits["min_pulses"] and answered <= limits["silent_share"] * heard:
            yield from _whole_header(day, rows, heard, day.start)
            continue
        found = [_judge_row(day, facts, subject, limits) for subject in rows]
        judged = [answer for answer in found if answer.verdict is not Verdict.CANNOT_TELL]
        gone = [answer.start or day.start for answer in judged if _is_silent(answer)]
        if len(gone) == len(judged) > 1:
            yield from _whole_header(day, rows, heard, max(gone))
            continue
        n_found = sum(answer.verdict is Verdict.FOUND for answer in found)
        urgent = n_found > 1 and n_found >= limits["many_share"] * n_rows
        for answer in found:
            yield _hurry(answer) if urgent and answer.verdict is Verdict.FOUND else answer


def _judge_row(
    day: BaghouseDay, facts: dict[Place, float], subject: Subject, limits: Limits
) -> Answer:
    place = (subject.compartment, subject.row)
    called = facts.get((*place, "n_called"))
    heard, answered = facts.get((*place, "n_heard"), 0.0), facts.get((*place, "n_answered"), 0.0)
    if called is None and heard == 0:
        return Answer.cannot_tell(subject, "nothing tells which row was fired")
    if called == 0:
        return Answer.cannot_tell(
            subject,
            "the controller never called this row on this day, which says nothing of its valve",
        )
    if heard < limits["min_pulses"]:
        return Answer.cannot_tell(
            subject, f"only {heard:.0f} of its pulses fell where the header was heard"
        )
    values = (
        Quantity("n_heard", heard, "1"),
        Quantity("n_answered", answered, "1"),
        Quantity("answered_share", answered / heard, "1"),
    )
    last_answer_s, n_since = _silence(day, subject)
    if n_since >= limits["min_pulses"] or answered <= limits["silent_share"] * heard:
        since = "all day" if answered == 0 else f"for its last {n_since} pulses"
        return Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            urgency=Urgency.NEXT_OUTAGE,
            start=day.start + timedelta(seconds=last_answer_s),
            end=day.end,
            values=values,
            text=f"Silent {since}: {answered:.0f} of {heard:.0f} pulses heard were answered; "
            "its neighbours draw the header down as usual.",
            action=_ACTION,
        )
    if answered < limits["steady_share"] * heard:
        return Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            urgency=Urgency.WATCH,
            start=day.start,
            end=day.end,
            values=values,
            text=f"Answers now and then: {answered:.0f} of {heard:.0f} pulses heard.",
            action="Check the wiring, the coil and the pilot line of this row for a loose contact, "
            "dirt or ice.",
        )
    return Answer.clear(subject, f"Answered {answered:.0f} of {heard:.0f} pulses heard.", values)


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
    looks_for="Fires of a row after which header pressure does not drop.",
    needs=(Need((Role.HEADER_PRESSURE,), "to hear the pulses, and to tell rows without bits"),),
    thresholds=(
        Threshold("min_pulses", "20", Dimension.RATIO, "pulses heard before a verdict", "chosen"),
        Threshold(
            "silent_share", "0.1", Dimension.RATIO, "answered share at or below: silent", "chosen"
        ),
        Threshold(
            "steady_share",
            "0.8",
            Dimension.RATIO,
            "answered share below: answers now and then",
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
)
