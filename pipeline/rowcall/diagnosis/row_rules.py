"""What the rules on rows share: limits, needs, cautions, and how they put evidence in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from statistics import median

from rowcall import units
from rowcall.diagnosis.row_evidence import (
    RowEvidence,
    over_days,
    pulses_of,
    row_evidence,
    unless_most_differ,
)
from rowcall.model import Answer, Caution, Context, Fact, Lack, Need, Quantity, Subject, limit
from rowcall.site import Role

VALVE_WORK = (Caution.LOCKOUT, Caution.STORED_AIR, Caution.HEIGHT, Caution.COMBUSTIBLE_DUST)

HEADER_PRESSURE = Need(
    any_of=(Role.HEADER_PRESSURE,),
    purpose="to see the pressure drop of each pulse",
    # Chosen: two dozen points a day are fewer than the pulses that it takes to judge one row. Up to
    # 15 min the points of a day, stacked on pulses every 12 s, can still clear or find rows.
    max_step_s=3600.0,
)

ROWS_NAMED = (Role.ROW_SOLENOID, Role.STEP_COUNTER)  # of the two, either names each row pulsed

MIN_PULSES = limit(
    "min_pulses",
    "20",
    "pulses of a row before it is judged",
    chosen="of a row that answers none of 20 the 95 % interval ends at one answer in six",
)
MAX_SHARE = limit(
    "max_share",
    "0.35",
    "share of a compartment's rows found beyond which its reference rows are in doubt",
    chosen="where more than a third differs alike, the reference rows may be the faulty ones",
)

JudgeRow = Callable[[Context, Subject, RowEvidence], Answer]


def evidence_of(context: Context, compartment: int, row: int) -> RowEvidence:
    """Return what the facts show of a row, held against what its bags let it drop."""
    # A place in the sequence may be any row.
    is_place = context.day.counts_places(compartment)
    house = context.day.baghouse
    expected = 1.0 if is_place else house.expected_drop_ratio(compartment, row)
    return row_evidence(context.facts, compartment, row, expected)


def row_recoveries(context: Context, compartment: int) -> tuple[dict[int, float], float]:
    """Return the recovery constant of each row of a compartment, and their median [s], or nan."""
    rows = range(1, context.day.baghouse.rows[compartment - 1] + 1)
    taus = {row: context.facts.of(Fact.TAU_S, compartment, row) for row in rows}
    known = [tau for tau in taus.values() if math.isfinite(tau)]
    return taus, median(known) if known else math.nan


def against_peers(context: Context, judge_row: JudgeRow) -> Iterator[Answer]:
    """Judge every row of a baghouse against its peers; the rule has the limit `MAX_SHARE`."""
    answers = (
        judge_row(context, context.subject(*place), evidence_of(context, *place))
        for place in context.day.baghouse.all_rows()
    )
    return over_days(unless_most_differ(answers, context.limits[MAX_SHARE.key]), context.facts)


def percent(share: float, digits: int = 0) -> str:
    """Write a share for people, never below zero: `63 %`."""
    return units.percent(max(share, 0.0), digits)


def judged_of(row: RowEvidence) -> str:
    """Write how many pulses could be judged: `57 pulses that could be judged (94 sent)`."""
    is_known = math.isfinite(row.sent) and row.days == 1
    sent = f" ({row.sent:,.0f} sent)" if is_known else ""
    return f"{row.judged:,.0f} pulses that could be judged{sent}"


def drop_values(row: RowEvidence) -> tuple[Quantity, ...]:
    """Return a row's drop against the reference rows, and its standard error."""
    return (
        Quantity("drop_ratio", row.ratio, "1"),
        Quantity("drop_ratio_error", row.ratio_error, "1"),
    )


def not_pulsed(subject: Subject) -> Answer:
    """Return the answer on a row without pulses."""
    why = "the controller sent this row no pulses on this day; the valve may be fine"
    return Answer.cannot_tell(subject, why, Lack.NOTHING)


def not_observable(subject: Subject, row: RowEvidence, purpose: str) -> Answer:
    """Say why the stacked pulses of a row show nothing; `purpose` ends "too few to ..."."""
    if row.sent == 0:
        return not_pulsed(subject)
    why = f"{pulses_of(row)} are too few, or too poorly observable, to {purpose}"
    return Answer.cannot_tell(subject, why, Lack.FINE_PRESSURE)
