"""The chapter about rows: one mark for each row of the day, and the numbers of the faulty ones."""

from __future__ import annotations

from rowcall.model import Fact, RowMark
from rowcall_reports import wording
from rowcall_reports.chapters.row_numbers import write_numbers
from rowcall_reports.prepared import PreparedDay
from rowcall_reports.row_marks import NOT_ASKED, OFF, OK, OTHER, PARTLY, PLAIN, UNKNOWN


def write_roll_call(baghouse: PreparedDay) -> str:
    """Return the roll-call tables: all rows by mark, then the numbers of the faulty ones."""
    if not baghouse.has_data:
        return ""
    parts = [_table(baghouse), _legend(baghouse)]
    if baghouse.found_rows:
        parts.append(write_numbers(baghouse.day, baghouse.found_rows))
    return "\n\n".join([*parts, *_place_notes(baghouse)])


def _place_notes(baghouse: PreparedDay) -> list[str]:
    """Say how to read the numbers of rows that are known from header pressure alone."""
    return [
        f"Compartment {compartment}: the numbers are places in the firing sequence, not rows "
        f"({wording.escape(inferred.text)})."
        if baghouse.day.counts_places(compartment)
        else f"Compartment {compartment}: {wording.escape(inferred.text)}."
        for compartment, inferred in sorted(baghouse.day.inferred.items())
    ]


def _legend(baghouse: PreparedDay) -> str:
    """Explain the marks that the table shows."""
    shown = {mark.word for mark in baghouse.marks.values()}
    known = (OK, *baghouse.known_marks, OTHER, PARTLY, UNKNOWN, OFF, NOT_ASKED)
    meant = [f"`{mark.word}`: {mark.meaning}" for mark in known if mark.word in shown]
    return "; ".join(meant) + "."


def _table(baghouse: PreparedDay) -> str:
    day = baghouse.day
    widest = max(day.baghouse.rows)
    head = ["Row", *(str(row) for row in range(1, widest + 1)), "Drop against the peers'"]
    lines = []
    for compartment in range(1, day.baghouse.compartments + 1):
        marks = (baghouse.marks.get((compartment, row), NOT_ASKED) for row in range(1, widest + 1))
        places = ", places" if day.counts_places(compartment) else ""
        label = f"Comp. {compartment}{places}"
        lines.append([label, *map(_cell, marks), _spread(baghouse, compartment)])
    return wording.table(head, lines)


def _cell(mark: RowMark) -> str:
    return mark.word if mark in PLAIN else f"**{mark.word}**"


def _spread(baghouse: PreparedDay, compartment: int) -> str:
    """Return lowest and highest drop of the rows without a finding, against their peers'."""
    drops = [
        (ratio, row)
        for (place, row), mark in baghouse.marks.items()
        if place == compartment and mark in PLAIN
        if (ratio := baghouse.facts.get((Fact.DROP_RATIO, compartment, row))) is not None
    ]
    if not drops:
        return wording.NO_VALUE
    word = baghouse.day.row_word(compartment)
    (low, low_row), (high, high_row) = min(drops), max(drops)
    return (
        f"{wording.percent(low)} ({word} {low_row}) to {wording.percent(high)} ({word} {high_row})"
    )
