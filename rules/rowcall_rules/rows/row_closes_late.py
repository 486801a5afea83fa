"""A row's valve closes late: its drop is deeper and the minimum of header pressure comes later.

Why: a torn or worn diaphragm, a weak spring, a leaking bleed hole or grit on the seat lets the
valve blow on after the signal has ended, for 0.5-2 s instead of 0.1-0.2 s. Rule out: a pulse length
set longer (then every row blows longer alike, and no row stands out of its peers), and a slow
refill (the minimum comes in time, only the recovery is long).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from rowcall import trade
from rowcall.condition.sampling import LONGEST_BRIDGE_S
from rowcall.diagnosis.row_evidence import RowEvidence
from rowcall.diagnosis.row_rules import (
    HEADER_PRESSURE,
    MAX_SHARE,
    MIN_PULSES,
    VALVE_WORK,
    against_peers,
    not_observable,
    percent,
    row_recoveries,
)
from rowcall.events.rows.lateness import MAX_LATE_S
from rowcall.model import (
    Answer,
    Chapter,
    Context,
    Lack,
    Limits,
    Quantity,
    RowMark,
    Rule,
    Signal,
    Subject,
    Urgency,
    limit,
    work,
)
from rowcall.site import Role
from rowcall.units import Dimension, show


def judge(context: Context) -> Iterator[Answer]:
    """Answer for every row by the lateness and the depth of its stacked pulses."""
    return against_peers(context, _judge_row)


def _judge_row(context: Context, subject: Subject, row: RowEvidence) -> Answer:
    limits = context.limits
    if math.isnan(row.p_late) or not row.sent >= limits["min_pulses"]:
        return not_observable(subject, row, "time its closing")
    if not row.surely_answers:
        why = "it shows no pressure drop whose end could be timed"
        return Answer.cannot_tell(subject, why, Lack.NOTHING)
    values = (
        Quantity("late_s", row.late_s, "s"),
        Quantity("late_s_error", row.late_s_error, "s"),
        Quantity("p_late", row.p_late, "1"),
        Quantity("drop_ratio", row.day_ratio, "1"),
    )
    low = row.day_ratio - limits["errors"] * row.day_ratio_error
    is_deep = _is_deep(context, subject, row)
    is_late, grew = is_deep and _is_late(row, low, limits), _grew(context, subject, row)
    # Where lateness cannot be seen, depth shows it: no other fault makes so much deeper drops.
    if is_late or grew or (low >= limits["far_deeper"] and row.late_power < limits["power"]):
        is_over = row.changed and row.before > row.ratio
        return context.found(
            subject,
            Urgency.NEXT_OUTAGE,
            _text(row, is_late=is_late, grew=grew),
            _ACTION,
            values,
            start=None if is_over else context.at(row.since_s),
            end=context.at(row.onset_s) if is_over else None,
        )
    why = _why_open(row, limits)
    if why and is_deep:
        return Answer.cannot_tell(subject, why + _advice(context, subject), Lack.FINE_PRESSURE)
    size = percent(row.day_ratio)
    text = f"Closes in time with its peers; its pressure drop is {size} of theirs."
    if row.late_power < limits["power"] or not is_deep:
        text = (
            f"Takes no more air than its peers: its pressure drop is {size} of theirs, at most "
            f"{percent(_max_ratio(row))}. Its closing itself could not be timed."
        )
    return Answer.clear(subject, text, values)


def _max_ratio(row: RowEvidence) -> float:
    """Upper end of the 95 % interval of its drop over its peers'."""
    return row.day_ratio + _ERRORS_95 * row.day_ratio_error


def _is_deep(context: Context, subject: Subject, row: RowEvidence) -> bool:
    """Whether its drop may be as deep as its lateness makes it at the least flow that does harm.

    Asked of thinned pressures only: samples that were put back may bend where a refill begins.
    """
    signal, (_, peers_s) = _pressure(context, subject), row_recoveries(context, subject.compartment)
    is_thinned = signal is not None and signal.bridge_s > LONGEST_BRIDGE_S
    if not is_thinned or row.changed or not peers_s > 0.0:  # a row of two states is a mixture
        return True
    deeper_1_s = _MIN_FLOW / trade.VALVE_OPEN.value - 1.0 / peers_s  # while the feed refills
    more = _OF_GROWTH * max(deeper_1_s, 0.0) * row.late_s
    return _max_ratio(row) >= min(1.0 + more, context.limits["more_air"])


def _grew(context: Context, subject: Subject, row: RowEvidence) -> bool:
    """Whether its drop grew within the day by what no other fault adds.

    Save a refill that grows slow after this row: it deepens the drop, and the closing stays.
    """
    if row.p_late <= context.limits["open"] and _refills_slowly(context, subject):
        return False
    low = row.ratio - context.limits["errors"] * row.ratio_error
    return row.changed and low >= context.limits["deeper"] * max(row.before, 1.0)


def _refills_slowly(context: Context, subject: Subject) -> bool:
    taus, peers = row_recoveries(context, subject.compartment)
    return taus[subject.row] > _SLOW * peers


def _is_late(row: RowEvidence, low_ratio: float, limits: Limits) -> bool:
    is_sure = row.p_late >= limits["sure"] and row.day_ratio >= limits["deep"]
    # Two signs that agree need less of each.
    is_both = row.p_late > limits["open"] and low_ratio >= limits["deeper"]
    # A handful of points that lie off can be fitted by any lateness, at any depth.
    is_sized = row.day_ratio_error <= limits["max_error"] * row.day_ratio
    # Where samples meet few phases the time is open, but the air it takes may not be.
    is_shown = _low_s(row) >= limits["surely_late"] or low_ratio >= limits["deep"]
    return is_sized and is_shown and row.late_s >= limits["late"] and (is_sure or is_both)


def _low_s(row: RowEvidence) -> float:
    """Lower end of the 95 % interval of its lateness [s]."""
    return row.late_s - _ERRORS_95 * row.late_s_error


def _why_open(row: RowEvidence, limits: Limits) -> str:
    """Say why it cannot be cleared, '' where it can."""
    if row.p_late > limits["open"] and row.day_ratio >= limits["deep"]:
        chance = percent(row.p_late, 1)
        return f"its valve may close late, but with a probability of {chance} only"
    # What a late valve lets out is missing afterwards, whenever it closed.
    if row.late_power < limits["power"] and _max_ratio(row) >= limits["more_air"]:
        return (
            f"it may take up to {percent(_max_ratio(row))} of its peers' air, and a valve that "
            "closes less than half a second late would not stand out on this day"
        )
    return ""


def _advice(context: Context, subject: Subject) -> str:
    """Say which record of header pressure would show more, as trials of recordings do."""
    signal = _pressure(context, subject)
    if signal is None or signal.bridge_s > LONGEST_BRIDGE_S:  # a thinned tag may be scanned so
        return ""
    step_s = float(np.median(np.diff(signal.time_s)))
    return "; header pressure sampled once a second would show more" if step_s > _FINE_S else ""


def _pressure(context: Context, subject: Subject) -> Signal | None:
    signals = context.day.signals
    header = subject.compartment if (Role.HEADER_PRESSURE, subject.compartment, 0) in signals else 0
    return signals.get((Role.HEADER_PRESSURE, header, 0))


def _text(row: RowEvidence, *, is_late: bool, grew: bool) -> str:
    harm, size = "It wastes air and wears the bags of this row.", percent(row.day_ratio)
    if is_late:
        reach = _ERRORS_95 * row.late_s_error
        is_longer = row.late_s + reach >= MAX_LATE_S
        by = f"at least {show(_low_s(row), 's', 2)}" if is_longer else show(row.late_s, "s", 2)
        how = f"{by} later than its peers'" if _low_s(row) > 0 else "later than its peers'"
        return (
            f"Valve closes {how}; its pressure drop is {size} of theirs. {harm} Standard error "
            f"{show(row.late_s_error, 's', 2)}."
        )
    if grew:
        return (
            f"Its pressure drop is {percent(row.ratio)} of its peers' since it changed "
            f"({percent(row.before)} before), as of a valve that stays open too long. {harm}"
        )
    return (
        f"Its pressure drop is {size} of its peers', as of a valve that stays open too long; the "
        f"samples are too coarse to time its closing. {harm}"
    )


_FINE_S = 1.5  # chosen: sampled once a second, give or take
_MIN_FLOW = 0.2  # of a valve's full one, while it hangs; chosen: less wastes little air
_OF_GROWTH = 1.0 / 3.0  # chosen: an emptier header lets out less, and lateness is off by as much
_SLOW = 1.3  # times its peers' recovery constant; chosen: sound rows differ by a few per cent
_ERRORS_95 = 1.96  # standard errors of a 95 % interval
_ACTION = work(
    outside="Listen at the row's valve from a distance: does it blow on after its pulse has ended?",
    isolated="renew both diaphragms, clean the seat, check spring and bleed hole, tighten the lid "
    "bolts in a star pattern, in steps.",
)

RULE = Rule(
    name="row_closes_late",
    title="Row's valve closes late",
    chapter=Chapter.ROWS,
    looks_for="Stacked pulses that go deeper than the peers' and end their closing later.",
    needs=(HEADER_PRESSURE,),
    thresholds=(
        MAX_SHARE,
        MIN_PULSES,
        limit(
            "late",
            "0.25 s",
            "closes later than the peers by",
            chosen="above the usual 0.1-0.2 s that a valve stays open in all",
            dimension=Dimension.TIME,
        ),
        limit(
            "surely_late",
            "0.05 s",
            "lower end of the 95 % interval of that, below which the drop must show it",
            chosen="a third of a usual pulse at full flow; twice the error of the peers' closing",
            dimension=Dimension.TIME,
        ),
        limit(
            "more_air",
            "1.25",
            "multiple of the peers' drop, below which the 95 % interval must end to clear a row "
            "whose closing cannot be timed",
            chosen="a valve 0.2 s late at a fifth of its flow takes a quarter more air",
        ),
        limit(
            "deep",
            "1",
            "drop as a multiple of the peers', below which a row is not late",
            chosen="a valve that closes later lets out more, never less",
        ),
        limit(
            "max_error",
            "0.17",
            "relative error of the drop up to which a late closing is believed",
            chosen="a drop known worse comes of a handful of points, which fit any lateness",
        ),
        limit(
            "far_deeper",
            "1.4",
            "multiple of the peers' drop that is enough by itself where closing cannot be timed",
            chosen="eight times the spread of sound rows, 3-5 %, above their mean",
        ),
        limit(
            "deeper",
            "1.2",
            "multiple of the peers' drop that is enough where it likely closes late as well, or "
            "where it was theirs earlier on the day",
            chosen="four times the spread of sound rows, 3-5 %, above their mean",
        ),
        limit(
            "errors",
            "3",
            "standard errors of certainty",
            chosen="one row-day in 700 lies above by chance",
        ),
        limit(
            "sure",
            "0.999",
            "probability of closing late that is enough by itself",
            chosen="a baghouse of 100 rows then has a false one in ten days at most",
        ),
        limit(
            "open",
            "0.5",
            "probability of closing late beyond which a row is not cleared",
            chosen="more likely late than not",
        ),
        limit(
            "power",
            "0.9",
            "chance of finding a valve 0.4 s late, below which nothing is cleared",
            chosen="a row cleared wrongly is found on one of the next days",
        ),
    ),
    check_first=(
        "pulse length set at the controller, if several rows are alike",
        "listen from a distance: does the valve blow on after its pulse",
        "isolated and bled: both diaphragms, spring, bleed hole, grit on the seat; lid bolts "
        "tightened in a star pattern, in steps",
    ),
    confused_with="a longer pulse length (all rows alike); slow header recovery",
    cautions=VALVE_WORK,
    judge=judge,
    excused_off=True,
    marks=(RowMark("L", "closes late", "the valve closed late", 5, shows_lateness=True),),
    judges_valve=True,
    trial_fault="a row that closes 0.4 s late",
    formerly="row_drawn_out",
)
