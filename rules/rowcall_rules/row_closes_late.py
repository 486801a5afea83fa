"""A row's valve closes late: its drop is deeper and the minimum of header pressure comes later.

Why: a torn or worn diaphragm, a weak spring, a leaking bleed hole or grit on the seat lets the
valve blow on after the signal has ended, for 0.5-2 s instead of 0.1-0.2 s. Looks like, but is not:
a pulse time set longer (then every row is drawn out alike, and no row stands out of its peers), and
a slow refill (the minimum comes in time, only the way back is long).
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
from rowcall.units import Dimension, show


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row; reads the facts late_s, p_late, late_power and drop_ratio."""
    day, limits = context.day, context.limits
    facts = context.facts
    answers = (
        _judge_row(day, facts, Subject(day.baghouse.id, *place), limits)
        for place in day.baghouse.all_rows()
    )
    yield from over_days(unless_most_differ(answers, limits["max_share"]), facts)


def _judge_row(day: BaghouseDay, facts: FactBook, subject: Subject, limits: Limits) -> Answer:
    def of(fact: Fact) -> float:
        return facts.of(fact, subject.compartment, subject.row)

    row = row_evidence(facts, subject.compartment, subject.row)
    late, error, chance = of(Fact.LATE_S), of(Fact.LATE_S_ERROR), of(Fact.P_LATE)
    ratio, power = of(Fact.DROP_RATIO), of(Fact.LATE_POWER)
    if math.isnan(chance) or not row.sent >= limits["min_pulses"]:
        return Answer.cannot_tell(subject, _unheard(row))
    if not row.surely_answers:
        return Answer.cannot_tell(subject, "it shows no drop whose end could be timed")
    values = (
        Quantity("late_s", late, "s"),
        Quantity("late_s_error", error, "s"),
        Quantity("p_late", chance, "1"),
        Quantity("drop_ratio", ratio, "1"),
    )
    is_late = chance >= limits["sure"] and late >= limits["late"] and ratio >= limits["deep"]
    # Where lateness cannot be seen, depth speaks: nothing else draws so much more than the peers.
    spread = limits["errors"] * of(Fact.DROP_RATIO_ERROR)
    is_deep = ratio - spread >= limits["far_deeper"] and power < limits["power"]
    # Two signs that agree need less of each.
    is_both = ratio - spread >= limits["deeper"] and chance > limits["open"]
    is_late |= is_both and late >= limits["late"]
    # A handful of points that lie off can be fitted by any lateness, at any depth.
    is_late &= of(Fact.DROP_RATIO_ERROR) <= limits["sized"] * ratio
    if is_late or is_deep:
        return Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            urgency=Urgency.NEXT_OUTAGE,
            start=day.start + timedelta(seconds=row.onset_s if row.changed else 0.0),
            end=day.end,
            values=values,
            text=(
                f"Valve closes {show(late, 's', 2)} later than its peers' (standard error "
                f"{show(error, 's', 2)}); its drop is {ratio:.0%} of theirs."
                if is_late
                else f"Its drop is {ratio:.0%} of its peers', as of a valve that hangs; the "
                "samples are too coarse to time its closing."
            )
            + " It wastes air and wears the bags of this row.",
            action="Isolated and bled: renew both diaphragms, clean the seat, check spring and "
            "bleed hole, tighten the lid bolts in a star pattern, in steps.",
        )
    if chance > limits["open"] and ratio >= limits["deep"]:
        return Answer.cannot_tell(
            subject,
            f"its valve may close late, but with a probability of {chance:.0%} only",
        )
    if power < limits["power"]:
        return Answer.cannot_tell(
            subject,
            "a valve that closes less than half a second late would not stand out on this day "
            "(coarse samples or time stamps, or an uneven refill)",
        )
    return Answer.clear(
        subject, f"Closes in time with its peers; its drop is {ratio:.0%} of theirs.", values
    )


def _unheard(row: RowEvidence) -> str:
    """Say why its closing has no time."""
    if row.sent == 0:
        return "the controller never called this row on this day"
    pulses = "its pulses" if math.isnan(row.sent) else f"its {row.sent:.0f} pulses"
    return f"{pulses} are too few, or too poorly heard, to time its closing"


RULE = Rule(
    name="row_closes_late",
    title="Row's valve closes late",
    chapter=Chapter.ROWS,
    looks_for="Stacked pulses that go deeper than the peers' and close later.",
    needs=(
        Need(
            any_of=(Role.HEADER_PRESSURE,),
            purpose="to hear the pulses, and to tell rows without bits",
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
        Threshold("late", "0.25 s", Dimension.TIME, "closes later than the peers by", "chosen"),
        Threshold("deep", "1", Dimension.RATIO, "drop as a multiple of the peers'", "chosen"),
        Threshold(
            "sized",
            "0.17",
            Dimension.RATIO,
            "relative error of the drop up to which a late closing is believed",
            "chosen",
        ),
        Threshold(
            "far_deeper",
            "1.4",
            Dimension.RATIO,
            "multiple of the peers' drop that tells by itself where closing cannot be timed",
            "chosen",
        ),
        Threshold(
            "deeper",
            "1.2",
            Dimension.RATIO,
            "multiple of the peers' drop that tells where it likely closes late as well; sound "
            "rows differ by 3-5 %",
            "chosen",
        ),
        Threshold("errors", "3", Dimension.RATIO, "standard errors of certainty", "chosen"),
        Threshold("sure", "0.999", Dimension.RATIO, "probability of closing late", "chosen"),
        Threshold("open", "0.5", Dimension.RATIO, "probability that leaves it open", "chosen"),
        Threshold(
            "power",
            "0.9",
            Dimension.RATIO,
            "chance of finding a valve 0.4 s late, below which nothing is cleared",
            "chosen",
        ),
    ),
    check_first=(
        "both diaphragms of the valve",
        "spring, bleed hole, grit on the seat",
        "lid bolts, tightened in a star pattern, in steps",
        "pulse time setting, if several rows are alike",
    ),
    confused_with="a longer pulse time (all rows alike); slow header recovery",
    cautions=(Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT, Caution.COMBUSTIBLE_DUST),
    references=("common practice, no source",),
    judge=judge,
    marks=(
        RowMark(
            letter="L",
            word="CLOSES LATE",
            words="closes late",
            meaning="the valve closed late",
            precedence=5,
            shows_lateness=True,
        ),
    ),
    judges_valve=True,
    trial_fault="a row that closes 0.4 s late",
    formerly="row_drawn_out",
)
