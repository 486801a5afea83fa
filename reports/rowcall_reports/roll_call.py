"""The roll call: one mark a row for the day, and the days before for the picture.

This is the one place of the reports that knows the rules about single rows by name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import polars as pl

from rowcall.model import BaghouseDay, Finding, Verdict
from rowcall_reports import facts, text


@dataclass(frozen=True, slots=True)
class RowRule:
    """How a rule about single rows shows in the roll call."""

    rule: str
    word: str  # in the table
    letter: str  # in the picture
    fact: str  # its verdict of the days before: 1 found, 0 clear, nan cannot tell


ROW_RULES = (
    RowRule("row_silent", "SILENT", "S", "verdict_silent"),
    RowRule("row_drawn_out", "DRAWN OUT", "D", "verdict_drawn_out"),
)
OK, PARTLY, UNKNOWN, NOT_ASKED = "ok", "ok?", "?", text.NO_VALUE
_MEANINGS = {
    OK: "answered as it should",
    ROW_RULES[0].word: "pulsed, but the header did not drop, always or at times (numbers below)",
    ROW_RULES[1].word: "the valve closed late",
    PARTLY: "clear in part, the rest could not be judged",
    UNKNOWN: "could not be judged",
    NOT_ASKED: "no such row, or not asked",
}
SHOWN_DAYS = 30  # chosen: a month fits a page and shows when a row fell silent

Marks = Mapping[tuple[int, int], str]


def marks(day: BaghouseDay, findings: Iterable[Finding]) -> Marks:
    """Return the word for each (compartment, row) of the baghouse on the day."""
    said = _verdicts(day, findings)
    return {
        place: _mark([_look_up(said, rule.rule, place) for rule in ROW_RULES])
        for place in day.baghouse.all_rows()
    }


def _verdicts(
    day: BaghouseDay, findings: Iterable[Finding]
) -> Mapping[tuple[str, int, int], Verdict]:
    names = {rule.rule for rule in ROW_RULES}
    return {
        (found.rule, found.answer.subject.compartment, found.answer.subject.row): (
            found.answer.verdict
        )
        for found in findings
        if found.rule in names and found.answer.subject.baghouse == day.baghouse.id
    }


def _look_up(
    said: Mapping[tuple[str, int, int], Verdict], rule: str, place: tuple[int, int]
) -> Verdict | None:
    """Take the word on the row itself, else the one on its compartment, else on all."""
    compartment, row = place
    for key in ((rule, compartment, row), (rule, compartment, 0), (rule, 0, 0)):
        if key in said:
            return said[key]
    return None


def _mark(verdicts: Sequence[Verdict | None]) -> str:
    for rule, verdict in zip(ROW_RULES, verdicts, strict=True):
        if verdict is Verdict.FOUND:
            return rule.word
    given = {verdict for verdict in verdicts if verdict is not None}
    if not given:
        return NOT_ASKED
    if Verdict.CLEAR not in given:
        return UNKNOWN
    return OK if given == {Verdict.CLEAR} else PARTLY


def write_roll_call(day: BaghouseDay, findings: Iterable[Finding]) -> str:
    """Return the roll-call tables: all rows by mark, then the numbers of those not ok."""
    called = marks(day, findings)
    values = facts.today(day)
    parts = [_sheet(day, called, values), _legend(called)]
    odd = [place for place, mark in called.items() if mark.isupper()]
    if odd:
        parts.append(_numbers(day, odd, called, values))
    return "\n\n".join([*parts, *_place_notes(day)])


def _place_notes(day: BaghouseDay) -> list[str]:
    """Say of each compartment whose rows header pressure alone told how to read the numbers."""
    return [
        f"Compartment {compartment}: the numbers are places in the firing sequence, not rows "
        f"({text.escape(told.text)})."
        if day.counts_places(compartment)
        else f"Compartment {compartment}: {text.escape(told.text)}."
        for compartment, told in sorted(day.inferred.items())
    ]


def _legend(called: Marks) -> str:
    """Explain the marks that the table shows."""
    shown = {*called.values()}
    meant = [f"`{mark}`: {means}" for mark, means in _MEANINGS.items() if mark in shown]
    return "; ".join(meant) + "."


def _sheet(day: BaghouseDay, called: Marks, values: facts.Facts) -> str:
    widest = max(day.baghouse.rows)
    head = ["Row", *(str(row) for row in range(1, widest + 1)), "Drop against the median"]
    lines = []
    for compartment, rows in enumerate(day.baghouse.rows, start=1):
        cells = [_cell(called, compartment, row) for row in range(1, widest + 1)]
        word = day.row_word(compartment)
        label = f"Comp. {compartment}" + (", places" if word == "place" else "")
        lines.append([label, *cells, _spread(compartment, rows, called, values, word)])
    return text.table(head, lines)


def _cell(called: Marks, compartment: int, row: int) -> str:
    mark = called.get((compartment, row), NOT_ASKED)
    return f"**{mark}**" if mark.isupper() else mark


def _spread(compartment: int, rows: int, called: Marks, values: facts.Facts, word: str) -> str:
    """Return lowest and highest drop of the rows without a finding, against their median."""
    drops = [
        (values[key], row)
        for row in range(1, rows + 1)
        if (key := ("drop_ratio", compartment, row)) in values
        and not called[compartment, row].isupper()
    ]
    if not drops:
        return NOT_ASKED
    (low, low_row), (high, high_row) = min(drops), max(drops)
    return f"{text.percent(low)} ({word} {low_row}) to {text.percent(high)} ({word} {high_row})"


def _numbers(
    day: BaghouseDay, odd: Sequence[tuple[int, int]], called: Marks, values: facts.Facts
) -> str:
    head = [
        "Comp.",
        " or ".join(sorted({day.row_word(c).capitalize() for c, _ in odd}, reverse=True)),
        "Mark",
        "Answered / called",
        "Drop",
        "Against the median",
        "Lowest after",
    ]
    lines = []
    for compartment, row in odd:
        ratio = values.get(("drop_ratio", compartment, row))
        lines.append(
            [
                str(compartment),
                str(row),
                f"**{called[compartment, row]}**",
                _answered(compartment, row, values),
                text.measure(values.get(("drop_pa", compartment, row)), "bar", 2, 1e5),
                text.percent(ratio) if ratio is not None else text.NO_VALUE,
                text.measure(values.get(("min_delay_s", compartment, row)), "s", 2),
            ]
        )
    return text.table(head, lines, right=(0, 1, 3, 4, 5, 6))


def _answered(compartment: int, row: int, values: facts.Facts) -> str:
    answered = values.get(("n_answered", compartment, row))
    called = values.get(("n_called", compartment, row))
    return f"{text.number(answered)} / {text.number(called)}"


def past_letters(day: BaghouseDay) -> pl.DataFrame:
    """Return the letters of the days before: day, compartment, row, letter ('' where clear)."""
    empty = pl.DataFrame(
        schema={"day": pl.Date, "compartment": pl.Int64, "row": pl.Int64, "letter": pl.String}
    )
    names = [rule.fact for rule in ROW_RULES]
    if day.history.is_empty():
        return empty
    past = day.history.filter(pl.col("name").is_in(names))
    if past.is_empty():
        return empty
    wide = past.pivot("name", index=("day", "compartment", "row"), values="value")
    columns = [pl.col(name) for name in names if name in wide.columns]
    found = [
        pl.when(pl.col(rule.fact) == 1).then(pl.lit(rule.letter))
        for rule in ROW_RULES
        if rule.fact in wide.columns
    ]
    untold = pl.all_horizontal(column.is_null() | column.is_nan() for column in columns)
    letter = pl.coalesce(*found, pl.when(untold).then(pl.lit(UNKNOWN)), pl.lit(""))
    return wide.select("day", "compartment", "row", letter=letter).sort("day", "compartment", "row")


def letter_of(mark: str) -> str:
    """Return the picture's letter for a mark of the table: '' for rows without a finding."""
    letters = {rule.word: rule.letter for rule in ROW_RULES}
    return letters.get(mark, UNKNOWN if mark == UNKNOWN else "")
