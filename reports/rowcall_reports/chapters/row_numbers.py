"""The numbers of the rows that the roll call marks, each with what it is known to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

from rowcall.diagnosis.fact_book import fact_book

from rowcall.diagnosis.row_evidence import RowEvidence, row_evidence, share_interval
from rowcall.model import BaghouseDay
from rowcall_reports import fact_lookup, wording

_FEWEST = 20  # chosen: pulses that make a share worth printing
_NOTE = (
    "± standard error; in brackets the 95 % interval of the share of pulses answered. Heard: those "
    "that can be told, each by itself, to be answered or not. The drop against the peers' and the "
    "closing are told by all pulses laid over each other."
)


def write_numbers(
    day: BaghouseDay,
    odd: Sequence[tuple[int, int]],
    called: Mapping[tuple[int, int], str],
    zone: ZoneInfo,
) -> str:
    """Return the table of the rows `odd`, a column of onsets only where one is known."""
    head = [
        "Comp.",
        " or ".join(sorted({day.row_word(c).capitalize() for c, _ in odd}, reverse=True)),
        "Mark",
        "Called",
        "Answered / heard",
        "Share answered",
        "Drop",
        "Against the peers'",
        "Closes later by",
        "Changed",
    ]
    values, book = fact_lookup.today(day), fact_book(day.facts)
    lines, days = [], 1.0
    for compartment, number in odd:
        row = row_evidence(book, compartment, number)
        days = max(days, row.days)
        lines.append(
            [
                str(compartment),
                str(number),
                f"**{called[compartment, number]}**",
                wording.number(row.called),
                f"{row.answered:.0f} / {row.heard:.0f}",
                _share(row),
                _drop(compartment, number, values),
                _ratio(compartment, number, values),
                _late(compartment, number, row, values),
                _changed(day, row, zone),
            ]
        )
    if all(line[-1] == wording.NO_VALUE for line in lines):
        head, lines = head[:-1], [line[:-1] for line in lines]
    table = wording.table(head, lines, right=(0, 1, 3, 4, 5, 6, 7, 8))
    return f"{table}\n\n{_NOTE}{_together(days)}"


def _together(days: float) -> str:
    """Say over how many days the pulses were taken together."""
    return f" One day has too few pulses: these are of {days:.0f} days together." * (days > 1)


def _share(row: RowEvidence) -> str:
    """Share of answered pulses: of those heard one by one, else as their spread tells it."""
    if row.heard >= _FEWEST:
        low, high = share_interval(row.answered, row.heard)
        share = row.answered / row.heard
    elif row.comes_and_goes:
        share, low, high = row.rate, row.rate_low, row.rate_high
    else:
        return wording.NO_VALUE
    return f"{wording.percent(share)} ({100 * low:.0f}-{wording.percent(high)})"


def _drop(compartment: int, row: int, values: fact_lookup.Facts) -> str:
    drop = values.get(("drop_pa", compartment, row))
    return wording.measure(None if drop is None else max(drop, 0.0), "bar", 2, 1e5)


def _ratio(compartment: int, row: int, values: fact_lookup.Facts) -> str:
    ratio = values.get(("drop_ratio", compartment, row))
    error = values.get(("drop_ratio_error", compartment, row))
    if ratio is None:
        return wording.NO_VALUE
    if error is None:
        return wording.percent(ratio)
    digits = 1 if error < 0.01 else 0
    return f"{100 * max(ratio, 0.0):.{digits}f} ± {100 * error:.{digits}f} %"


def _late(compartment: int, number: int, row: RowEvidence, values: fact_lookup.Facts) -> str:
    """Lateness of a row that answers; what does not open does not close either."""
    late = values.get(("late_s", compartment, number))
    error = values.get(("late_s_error", compartment, number))
    if late is None or error is None or not row.surely_answers:
        return wording.NO_VALUE
    return f"{late:.2f} ± {max(error, 0.01):.2f} s"


def _changed(day: BaghouseDay, row: RowEvidence, zone: ZoneInfo) -> str:
    if not row.changed or math.isnan(row.before):
        return wording.NO_VALUE
    at = (day.start + timedelta(seconds=row.onset_s)).astimezone(zone)
    before, after = (wording.percent(max(share, 0.0)) for share in (row.before, row.ratio))
    when = f"{at:%H:%M}" if row.onset_s >= 0 else f"{at:%Y-%m-%d %H:%M}"
    return f"since {when}: {before} before, {after} after"
