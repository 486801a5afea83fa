"""The numbers of the rows of which something was found, each with its error."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta

from rowcall.diagnosis.row_evidence import RowEvidence, row_evidence, share_interval
from rowcall.model import BaghouseDay, FactBook
from rowcall.units import Scale
from rowcall_reports import wording
from rowcall_reports.row_marks import Marks

_MIN_JUDGED = 20  # chosen: pulses that make a share worth printing
_MAX_IN_TIME = 0.5  # chosen: chance of closing late up to which there is no delay to state
_NOTE = (
    "± standard error; in brackets the 95 % interval of the share of pulses answered. Judged: "
    "pulses that could each be seen to be answered or not. The drop against the peers' and the "
    "end of closing are estimated from all pulses stacked."
)

_WHOLE_DAY = "Of a row that changed, all but the last column is of the whole time judged."


@dataclass(frozen=True, slots=True)
class _Row:
    """What is known of one row."""

    compartment: int
    number: int
    mark: str
    evidence: RowEvidence


def write_numbers(day: BaghouseDay, marks: Marks) -> str:
    """Return the table of the rows of `marks`, a column of changes only where one is known."""
    facts = FactBook(day.facts)
    rows = [_Row(*place, mark.word, row_evidence(facts, *place)) for place, mark in marks.items()]
    words = sorted({day.row_word(row.compartment).capitalize() for row in rows}, reverse=True)
    changes = [_changed(day, row.evidence) for row in rows]
    columns: Sequence[tuple[str, Callable[[_Row], str]]] = (
        ("Comp.", lambda row: str(row.compartment)),
        (" or ".join(words), lambda row: str(row.number)),
        ("Mark", lambda row: f"**{row.mark}**"),
        ("Sent", lambda row: wording.number(row.evidence.sent)),
        ("Answered / judged", _answered),
        ("Share answered", _share),
        ("Drop", lambda row: _drop(row, day.units.pressure)),
        ("Against the peers'", _ratio),
        ("Closes later by", _late),
    )
    head = [name for name, _ in columns]
    lines = [[write(row) for _, write in columns] for row in rows]
    if any(changes):
        head.append("Changed")
        lines = [
            [*line, change or wording.NO_VALUE] for line, change in zip(lines, changes, strict=True)
        ]
    table = wording.table(head, lines, right=(0, 1, 3, 4, 5, 6, 7, 8))
    days = max(row.evidence.days for row in rows)
    pooled = f"One day has too few pulses: these are of {days:.0f} days together."
    notes = [_NOTE, *[_WHOLE_DAY] * any(changes), *[pooled] * (days > 1)]
    return f"{table}\n\n{' '.join(notes)}"


def _answered(row: _Row) -> str:
    return f"{wording.number(row.evidence.answered)} / {wording.number(row.evidence.judged)}"


def _share(row: _Row) -> str:
    """Share of answered pulses: of those judged one by one, else by the spread of their drops."""
    known = row.evidence
    if known.judged >= _MIN_JUDGED:
        low, high = share_interval(known.answered, known.judged)
        share = known.answered / known.judged
    elif known.is_intermittent:
        share, low, high = known.rate, known.rate_low, known.rate_high
    else:
        return wording.NO_VALUE
    return f"{wording.percent(share)} ({100 * low:.0f}-{wording.percent(high)})"


def _drop(row: _Row, scale: Scale) -> str:
    # The largest of nan and 0.0 is nan: a drop that is not known stays so.
    return wording.quantity(max(row.evidence.drop_pa, 0.0), scale)


def _ratio(row: _Row) -> str:
    ratio, error = row.evidence.day_ratio, row.evidence.day_ratio_error
    if math.isnan(ratio):
        return wording.NO_VALUE
    if math.isnan(error):
        return wording.percent(ratio)
    digits = 1 if error < 0.01 else 0
    return f"{100 * max(ratio, 0.0):.{digits}f} ± {100 * error:.{digits}f} %"


def _late(row: _Row) -> str:
    """Lateness of a row that answers; what does not open does not close either."""
    late, error = row.evidence.late_s, row.evidence.late_s_error
    in_time = row.evidence.p_late <= _MAX_IN_TIME
    if math.isnan(late) or math.isnan(error) or in_time or not row.evidence.surely_answers:
        return wording.NO_VALUE
    return f"{wording.number(late, 2)} ± {max(error, 0.01):.2f} s"


def _changed(day: BaghouseDay, row: RowEvidence) -> str:
    """Say when within the time judged a row changed, '' where it did not."""
    if not row.changed or math.isnan(row.before):
        return ""
    at = (day.start + timedelta(seconds=row.onset_s)).astimezone(day.zone)
    before, after = (wording.percent(max(share, 0.0)) for share in (row.before, row.ratio))
    when = f"{at:%H:%M}" if row.onset_s >= 0 else f"{at:%Y-%m-%d %H:%M}"
    return f"since {when}: {before} before, {after} after"
