"""A row's valve closes late: its drop is deeper and the minimum of header pressure comes later.

Why: a torn or worn diaphragm, a weak spring, a leaking bleed hole or grit on the seat lets the
valve blow on after the signal has ended, for 0.5-2 s instead of 0.1-0.2 s. Looks like, but is not:
a pulse time set longer (then every row is drawn out alike, and no row stands out of its peers), and
a slow refill (the minimum comes in time, only the way back is long).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

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
from rowcall.units import Dimension, show


def judge(day: BaghouseDay, limits: Limits) -> Iterator[Answer]:
    """Answer for every row; reads the facts n_answered, min_delay_s, drop_pa and drop_ratio."""
    facts = fact_book(day.facts)
    for compartment, n_rows in enumerate(day.baghouse.rows, start=1):
        delays = [facts.get((compartment, row, "min_delay_s")) for row in range(1, n_rows + 1)]
        known = [delay for delay in delays if delay is not None]
        peers = float(np.median(known)) if known else float("nan")
        for row in range(1, n_rows + 1):
            subject = Subject(day.baghouse.id, compartment, row)
            yield _judge_row(day, facts, subject, peers, limits)


def _judge_row(
    day: BaghouseDay, facts: dict[Place, float], subject: Subject, peers: float, limits: Limits
) -> Answer:
    place = (subject.compartment, subject.row)
    answered = facts.get((*place, "n_answered"), 0.0)
    delay, ratio = facts.get((*place, "min_delay_s")), facts.get((*place, "drop_ratio"))
    drop = facts.get((*place, "drop_pa"))
    if answered < limits["min_pulses"] or delay is None or ratio is None or drop is None:
        return Answer.cannot_tell(subject, f"only {answered:.0f} answered pulses to time")
    late = delay - peers
    values = (
        Quantity("min_delay_s", delay, "s"),
        Quantity("late_s", late, "s"),
        Quantity("drop_pa", drop, "Pa"),
        Quantity("drop_ratio", ratio, "1"),
    )
    seen = (
        f"lowest header pressure {show(delay, 's', 2)} after the fire, {show(late, 's', 2)} later "
        f"than its peers; drop {show(drop, 'bar', 2)}, {ratio:.0%} of theirs"
    )
    if late < limits["late"] or ratio < limits["deep"]:
        return Answer.clear(subject, f"Closes in time: {seen}.", values)
    return Answer(
        subject=subject,
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        start=day.start,
        end=day.end,
        values=values,
        text=f"Valve closes late: {seen}. It wastes air and wears the bags of this row.",
        action="Isolated and bled: renew both diaphragms, clean the seat, check spring and bleed "
        "hole, tighten the lid crosswise and gradually.",
    )


RULE = Rule(
    name="row_drawn_out",
    title="Row's valve closes late",
    looks_for="A drop that is deeper than the peers' and reaches its minimum later.",
    needs=(Need((Role.HEADER_PRESSURE,), "to hear the pulses, and to tell rows without bits"),),
    thresholds=(
        Threshold(
            "min_pulses", "20", Dimension.RATIO, "answered pulses before a verdict", "chosen"
        ),
        Threshold("late", "0.3 s", Dimension.TIME, "minimum later than the peers' by", "chosen"),
        Threshold("deep", "1.15", Dimension.RATIO, "drop as a multiple of the peers'", "chosen"),
    ),
    check_first=(
        "both diaphragms of the valve",
        "spring, bleed hole, grit on the seat",
        "lid bolts, tightened crosswise and gradually",
        "pulse time setting, if several rows are alike",
    ),
    confused_with="a longer pulse time (all rows alike); slow header recovery",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT, Caution.COMBUSTIBLE_DUST),
    references=("common practice, no source",),
    judge=judge,
)
