"""One mark for each row and day, by the marks that the rules bring."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta

import polars as pl

from rowcall.model import BaghouseDay, Finding, RowMark, Rule, Urgency, Verdict

_PLAIN = 1_000  # chosen: shows only where no rule found anything
OK = RowMark("", "ok", "answered as it should", _PLAIN, sign="ok")
PARTLY = RowMark(
    "", "ok in part", "clear in part, the rest could not be judged", _PLAIN, sign="ok?"
)
UNKNOWN = RowMark("?", "could not be judged", "could not be judged", _PLAIN, sign="?")
NOT_ASKED = RowMark("", "not asked", "no such row, or not asked", _PLAIN, sign="-")
OFF = RowMark("", "off on purpose", "off on purpose, by the work log", _PLAIN, sign="off")
OTHER = RowMark(
    "F", "other finding", "a check that has no mark of its own found it", _PLAIN, sign="SEE FOUND"
)
PLAIN = (OK, PARTLY, UNKNOWN, NOT_ASKED, OFF)
SHOWN_DAYS = 30  # chosen: a month fits a page and shows when a row fell silent

Place = tuple[int, int]  # compartment, row
Marks = Mapping[Place, RowMark]
# What the rules found of one day by (rule, compartment, row), 0 meaning all.
Verdicts = Mapping[tuple[str, int, int], tuple[Verdict, Urgency | None]]


def marks_of(rules: Iterable[Rule]) -> tuple[RowMark, ...]:
    """Return the marks that rules bring, the one that shows before all others first."""
    brought = (mark for rule in rules for mark in rule.marks)
    return tuple(sorted(brought, key=lambda mark: mark.precedence))


def mark_of(rule: Rule, urgency: Urgency | None) -> RowMark | None:
    """Return the mark of a finding, None for rules that bring none."""
    is_watch = urgency is Urgency.WATCH
    fits = [mark for mark in rule.marks if is_watch or not mark.watch_only]
    return max(fits, key=lambda mark: mark.watch_only, default=None)


def marks_today(
    day: BaghouseDay, findings: Iterable[Finding], rules: Sequence[Rule]
) -> Mapping[Place, RowMark]:
    """Return the mark of every row of the baghouse on the day."""
    verdicts = {
        (found.rule, found.answer.subject.compartment, found.answer.subject.row): (
            found.answer.verdict,
            found.answer.urgency,
        )
        for found in findings
        if found.answer.subject.baghouse == day.baghouse.id
    }
    return _marks(day, verdicts, rules)


def marks_before(day: BaghouseDay, rules: Sequence[Rule]) -> Mapping[date, Marks]:
    """Return the marks of the days before that the picture shows and that were judged."""
    of_rows = [rule.name for rule in rules if rule.marks]
    first = day.day - timedelta(days=SHOWN_DAYS - 1)
    is_found = (pl.col("row") > 0) & (pl.col("verdict") == Verdict.FOUND.value)
    past = day.history.verdicts.filter(
        pl.col("day") >= first, pl.col("rule").is_in(of_rows) | is_found
    )
    days: dict[date, dict[tuple[str, int, int], tuple[Verdict, Urgency | None]]] = {}
    for when, rule, compartment, row, verdict, urgency in past.iter_rows():
        days.setdefault(when, {})[rule, compartment, row] = (
            Verdict(verdict),
            Urgency(urgency) if urgency else None,
        )
    return {when: _marks(day, verdicts, rules) for when, verdicts in sorted(days.items())}


def _marks(day: BaghouseDay, verdicts: Verdicts, rules: Sequence[Rule]) -> Marks:
    of_rows = [rule for rule in rules if rule.marks]
    named = {rule.name for rule in of_rows}
    others = {
        (compartment, row)
        for (rule, compartment, row), (verdict, _) in verdicts.items()
        if row and rule not in named and verdict is Verdict.FOUND
    }
    made = {place: _mark(place, verdicts, of_rows) for place in day.baghouse.all_rows()}
    return {
        place: OTHER if mark in PLAIN and place in others else mark for place, mark in made.items()
    }


def _mark(place: Place, verdicts: Verdicts, rules: Sequence[Rule]) -> RowMark:
    found, of_valve = [], set()
    for rule in rules:
        answer = _look_up(verdicts, rule.name, place)
        if answer is None:
            continue
        verdict, urgency = answer
        mark = mark_of(rule, urgency) if verdict is Verdict.FOUND else None
        if mark is not None:
            found.append(mark)
        if rule.judges_valve:
            of_valve.add(verdict)
    if found:
        return min(found, key=lambda mark: mark.precedence)
    if not of_valve:
        return NOT_ASKED
    if Verdict.CLEAR not in of_valve:
        return UNKNOWN
    return OK if of_valve == {Verdict.CLEAR} else PARTLY


def _look_up(verdicts: Verdicts, rule: str, place: Place) -> tuple[Verdict, Urgency | None] | None:
    """Take the verdict on the row itself, else the one on its compartment, else on all."""
    compartment, row = place
    for key in ((rule, compartment, row), (rule, compartment, 0), (rule, 0, 0)):
        if key in verdicts:
            return verdicts[key]
    return None
