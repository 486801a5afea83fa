"""The roll call: one mark a row for the day, and the days before for the picture.

This is the one place of the reports that knows the rules about single rows by name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import polars as pl

from rowcall.model import BaghouseDay, Finding, Urgency, Verdict
from rowcall_reports import fact_lookup, wording
from rowcall_reports.chapters.row_numbers import write_numbers


@dataclass(frozen=True, slots=True)
class RowMark:
    """How what a rule found of a single row shows in the roll call.

    word: in the table; letter, words: in the picture. to_watch: stands for those findings of the
    rule that are only to be watched. of_valve: the rule judges the row's valve.
    """

    rule: str
    word: str
    letter: str
    words: str
    means: str
    to_watch: bool = False
    of_valve: bool = True

    @property
    def fact(self) -> str:
        """Fact with the rule's verdict of the days before: 1 found, 0 clear, nan cannot tell."""
        return f"verdict_{self.rule.removeprefix('row_')}"

    @property
    def watch_fact(self) -> str:
        """Fact that is 1 on days on which what was found was to be watched."""
        return f"watch_{self.rule.removeprefix('row_')}"


# Where several are found on a row, the first one shows.
ROW_MARKS = (
    RowMark(
        "row_not_pulsed",
        "NOT CALLED",
        "N",
        "not called",
        "the controller does not fire it",
        of_valve=False,
    ),
    RowMark("row_silent", "SILENT", "S", "silent", "pulsed, but the header did not drop"),
    RowMark(
        "row_silent",
        "INTERMITTENT",
        "I",
        "answers now and then",
        "answered some of its pulses and not others",
        to_watch=True,
    ),
    RowMark("row_weak", "FAINT", "F", "faint", "answered, with a drop well below its peers'"),
    RowMark("row_closes_late", "DRAWN OUT", "D", "drawn out", "the valve closed late"),
)
FOUND_LETTERS = tuple(mark.letter for mark in ROW_MARKS)
OK, PARTLY, UNKNOWN, NOT_ASKED = "ok", "ok?", "?", wording.NO_VALUE
_MEANINGS = {
    OK: "answered as it should",
    **{mark.word: mark.means for mark in ROW_MARKS},
    PARTLY: "clear in part, the rest could not be judged",
    UNKNOWN: "could not be judged",
    NOT_ASKED: "no such row, or not asked",
}
SHOWN_DAYS = 30  # chosen: a month fits a page and shows when a row fell silent

Marks = Mapping[tuple[int, int], str]


def marks(day: BaghouseDay, findings: Iterable[Finding]) -> Marks:
    """Return the word for each (compartment, row) of the baghouse on the day."""
    said = _answers(day, findings)
    rules = dict.fromkeys(mark.rule for mark in ROW_MARKS)
    return {
        place: _mark({rule: _look_up(said, rule, place) for rule in rules})
        for place in day.baghouse.all_rows()
    }


def mark_of(finding: Finding) -> RowMark | None:
    """Return the mark of what a row rule found, None for other findings."""
    if finding.answer.verdict is not Verdict.FOUND:
        return None
    mine = [mark for mark in ROW_MARKS if mark.rule == finding.rule]
    if finding.answer.urgency is Urgency.WATCH:
        mine.sort(key=lambda mark: not mark.to_watch)
    else:
        mine = [mark for mark in mine if not mark.to_watch]
    return mine[0] if mine else None


def _answers(
    day: BaghouseDay, findings: Iterable[Finding]
) -> Mapping[tuple[str, int, int], Finding]:
    names = {mark.rule for mark in ROW_MARKS}
    return {
        (found.rule, found.answer.subject.compartment, found.answer.subject.row): found
        for found in findings
        if found.rule in names and found.answer.subject.baghouse == day.baghouse.id
    }


def _look_up(
    said: Mapping[tuple[str, int, int], Finding], rule: str, place: tuple[int, int]
) -> Finding | None:
    """Take the word on the row itself, else the one on its compartment, else on all."""
    compartment, row = place
    for key in ((rule, compartment, row), (rule, compartment, 0), (rule, 0, 0)):
        if key in said:
            return said[key]
    return None


def _mark(said: Mapping[str, Finding | None]) -> str:
    found = {mark_of(finding) for finding in said.values() if finding is not None}
    for mark in ROW_MARKS:
        if mark in found:
            return mark.word
    of_valve = {mark.rule for mark in ROW_MARKS if mark.of_valve}
    given = {
        finding.answer.verdict
        for rule, finding in said.items()
        if rule in of_valve and finding is not None
    }
    if not given:
        return NOT_ASKED
    if Verdict.CLEAR not in given:
        return UNKNOWN
    return OK if given == {Verdict.CLEAR} else PARTLY


def write_roll_call(day: BaghouseDay, findings: Iterable[Finding], zone: ZoneInfo) -> str:
    """Return the roll-call tables: all rows by mark, then the numbers of those not ok."""
    called = marks(day, findings)
    values = fact_lookup.today(day)
    parts = [_sheet(day, called, values), _legend(called)]
    odd = [place for place, mark in called.items() if mark.isupper()]
    if odd:
        parts.append(write_numbers(day, odd, called, zone))
    return "\n\n".join([*parts, *_place_notes(day)])


def _place_notes(day: BaghouseDay) -> list[str]:
    """Say of each compartment whose rows header pressure alone told how to read the numbers."""
    return [
        f"Compartment {compartment}: the numbers are places in the firing sequence, not rows "
        f"({wording.escape(told.text)})."
        if day.counts_places(compartment)
        else f"Compartment {compartment}: {wording.escape(told.text)}."
        for compartment, told in sorted(day.inferred.items())
    ]


def _legend(called: Marks) -> str:
    """Explain the marks that the table shows."""
    shown = {*called.values()}
    meant = [f"`{mark}`: {means}" for mark, means in _MEANINGS.items() if mark in shown]
    return "; ".join(meant) + "."


def _sheet(day: BaghouseDay, called: Marks, values: fact_lookup.Facts) -> str:
    widest = max(day.baghouse.rows)
    head = ["Row", *(str(row) for row in range(1, widest + 1)), "Drop against the peers'"]
    lines = []
    for compartment, rows in enumerate(day.baghouse.rows, start=1):
        cells = [_cell(called, compartment, row) for row in range(1, widest + 1)]
        word = day.row_word(compartment)
        label = f"Comp. {compartment}" + (", places" if word == "place" else "")
        lines.append([label, *cells, _spread(compartment, rows, called, values, word)])
    return wording.table(head, lines)


def _cell(called: Marks, compartment: int, row: int) -> str:
    mark = called.get((compartment, row), NOT_ASKED)
    return f"**{mark}**" if mark.isupper() else mark


def _spread(
    compartment: int, rows: int, called: Marks, values: fact_lookup.Facts, word: str
) -> str:
    """Return lowest and highest drop of the rows without a finding, against their peers'."""
    drops = [
        (values[key], row)
        for row in range(1, rows + 1)
        if (key := ("drop_ratio", compartment, row)) in values
        and not called[compartment, row].isupper()
    ]
    if not drops:
        return NOT_ASKED
    (low, low_row), (high, high_row) = min(drops), max(drops)
    return (
        f"{wording.percent(low)} ({word} {low_row}) to {wording.percent(high)} ({word} {high_row})"
    )


def past_letters(day: BaghouseDay) -> pl.DataFrame:
    """Return the letters of the days before: day, compartment, row, letter ('' where clear)."""
    empty = pl.DataFrame(
        schema={"day": pl.Date, "compartment": pl.Int64, "row": pl.Int64, "letter": pl.String}
    )
    names = {name for mark in ROW_MARKS for name in (mark.fact, mark.watch_fact)}
    if day.history.is_empty():
        return empty
    past = day.history.filter(pl.col("name").is_in(list(names)))
    verdicts = {mark.fact for mark in ROW_MARKS} & {*past["name"]}
    if not verdicts:
        return empty
    wide = past.pivot("name", index=("day", "compartment", "row"), values="value")
    found = [
        pl.when(_was_found(mark, wide.columns)).then(pl.lit(mark.letter))
        for mark in ROW_MARKS
        if mark.fact in verdicts
    ]
    of_valve = {mark.fact for mark in ROW_MARKS if mark.of_valve} & verdicts
    columns = [pl.col(name) for name in sorted(of_valve)]
    untold = pl.all_horizontal(
        pl.lit(value=bool(columns)), *(column.is_null() | column.is_nan() for column in columns)
    )
    letter = pl.coalesce(*found, pl.when(untold).then(pl.lit(UNKNOWN)), pl.lit(""))
    return wide.select("day", "compartment", "row", letter=letter).sort("day", "compartment", "row")


def _was_found(mark: RowMark, names: Iterable[str]) -> pl.Expr:
    found = pl.col(mark.fact) == 1
    if mark.watch_fact not in names:
        return found & pl.lit(value=not mark.to_watch)
    is_watched = pl.col(mark.watch_fact).fill_null(0.0) == 1
    has_own = any(other.to_watch for other in ROW_MARKS if other.rule == mark.rule)
    if not has_own:
        return found
    return found & (is_watched if mark.to_watch else ~is_watched)


def letter_of(mark: str) -> str:
    """Return the picture's letter for a mark of the table: '' for rows without a finding."""
    letters = {known.word: known.letter for known in ROW_MARKS}
    return letters.get(mark, UNKNOWN if mark == UNKNOWN else "")
