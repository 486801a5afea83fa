"""Answers of judged days, as cases ask for them: what was found, and the others day by day."""

from __future__ import annotations

import json
from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, timedelta
from functools import cached_property
from itertools import starmap
from typing import Any

from rowcall.model import Answer, Finding, Quantity, Subject, Urgency, Verdict
from rowcall.store.connection import Store

_STRETCH_D = 64  # [d] chosen: read at once
_NEAR_D = 30  # [d] chosen: where something was found so shortly before, a case may still be open

_KEY = 'rule, baghouse, compartment, "row", is_place'
_ANSWER = (
    "verdict, urgency, start, \"end\", IF(verdict = $found, text, ''), "
    "IF(verdict = $found, action, ''), values_json"
)
_NAME = f"concat_ws('|', {_KEY})"

_Row = tuple[Any, ...]  # of `day`, `_KEY` and `_ANSWER`, as DuckDB gives them
_Asked = tuple[Subject, frozenset[str]]  # a place, and rules that judge it


@dataclass(eq=False)
class PastAnswers:
    """The answers on the judged days before `before`.

    Cases of years ask for few places and days. These are read by stretches of days, with the
    places likely to be asked for next: one by one, a year of many faults would be thousands of
    queries.

    Attributes:
        kin: by rule, and whether it judges rows, all rules that are followed with it.
    """

    store: Store
    before: date
    kin: Mapping[tuple[str, bool], frozenset[str]]
    _days: dict[tuple[_Asked, int], dict[date, _Answers]] = field(default_factory=dict)

    @cached_property
    def found(self) -> list[Finding]:
        """What was found, in order of day."""
        rules = sorted({rule for rule, _ in self.kin})
        rows = self._read("verdict = $found AND list_contains($rules, rule)", {"rules": rules})
        return [_finding(row) for row in rows if (row[1], row[4] > 0) in self.kin]

    @cached_property
    def first(self) -> date:
        """The first day with any answers; `before` where there is none."""
        rows = self.store.connection.execute("SELECT min(day) FROM findings").fetchall()
        return min(self.before, rows[0][0] or self.before)

    def on(self, subject: Subject, day: date, rules: frozenset[str]) -> Mapping[str, Finding]:
        """Return what some rules answered; of what was not found, the texts stay in the store."""
        asked, stretch = (subject, rules), day.toordinal() // _STRETCH_D
        if (asked, stretch) not in self._days:
            self._read_stretch(asked, stretch)
        return self._days[asked, stretch].get(day, {})

    def _read_stretch(self, asked: _Asked, stretch: int) -> None:
        first = date.fromordinal(stretch * _STRETCH_D)
        last = first + timedelta(days=_STRETCH_D - 1)
        wanted = {asked, *self._found_at(first - timedelta(days=_NEAR_D), last)}
        new = {one: dict[date, _Answers]() for one in wanted if (one, stretch) not in self._days}
        self._days |= {(one, stretch): days for one, days in new.items()}
        days_of = {_key(rule, one[0]): days for one, days in new.items() for rule in one[1]}
        rows = self._read(
            f"day BETWEEN $first AND $last AND {_NAME} IN (SELECT unnest($names))",
            {"first": first, "last": last, "names": list(map(_name, days_of))},
        )
        for row in rows:
            days_of[row[1:6]].setdefault(row[0], _Answers()).rows[row[1]] = row

    def _found_at(self, first: date, last: date) -> set[_Asked]:
        begin = bisect_left(self.found, first, key=_day)
        end = bisect_right(self.found, last, key=_day)
        subjects = ((one.rule, one.answer.subject) for one in self.found[begin:end])
        return {(subject, self.kin[rule, subject.row > 0]) for rule, subject in subjects}

    def _read(self, which: str, given: dict[str, object]) -> Sequence[_Row]:
        return self.store.connection.execute(
            f"SELECT day, {_KEY}, {_ANSWER} FROM findings WHERE {which} AND day < $before "
            f"ORDER BY day, {_KEY}",
            given | {"found": Verdict.FOUND.value, "before": self.before},
        ).fetchall()


@dataclass(slots=True, eq=False)
class _Answers(Mapping[str, Finding]):
    """Answers by rule, made of their rows when asked for: of most, nothing is."""

    rows: dict[str, _Row | Finding] = field(default_factory=dict)

    def __getitem__(self, rule: str) -> Finding:
        row = self.rows[rule]
        finding = row if isinstance(row, Finding) else _finding(row)
        self.rows[rule] = finding
        return finding

    def __contains__(self, rule: object) -> bool:
        return rule in self.rows

    def __iter__(self) -> Iterator[str]:
        return iter(self.rows)

    def __len__(self) -> int:
        return len(self.rows)


def _day(finding: Finding) -> date:
    return finding.day


def _key(rule: str, place: Subject) -> tuple[str, str, int, int, bool]:
    """Return a rule and a place as `_KEY`."""
    return rule, place.baghouse, place.compartment, place.row, place.is_place


def _name(key: tuple[str, str, int, int, bool]) -> str:
    """Return a key as `_NAME` writes it."""
    *names, is_place = key
    return "|".join([*map(str, names), "true" if is_place else "false"])


def _finding(row: _Row) -> Finding:
    day, rule, *place, verdict, urgency, start, end, text, action, values = row
    answer = Answer(
        subject=Subject(*place),
        verdict=Verdict(verdict),
        text=text,
        action=action,
        urgency=Urgency(urgency) if urgency else None,
        start=start.replace(tzinfo=UTC) if start else None,
        end=end.replace(tzinfo=UTC) if end else None,
        values=tuple(starmap(Quantity, json.loads(values))),
    )
    return Finding(day, rule, answer)
