"""Answers sorted by place and family: what a case is made of, day by day."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from itertools import chain
from typing import Protocol

from rowcall.days import days_from
from rowcall.model import PRESSING, At, Family, Finding, Subject, Verdict
from rowcall.model.cause import Member

Answers = Mapping[str, Finding]  # by rule
ByDay = dict[date, list[Finding]]


class Past(Protocol):
    """Answers of earlier days that are read as they are asked for.

    Attributes:
        before: the day that follows them.
        first: the first of them with any answers.
        found: what was found on any of them.
    """

    @property
    def before(self) -> date: ...
    @property
    def first(self) -> date: ...
    @property
    def found(self) -> Sequence[Finding]: ...
    def on(self, subject: Subject, day: date, rules: frozenset[str]) -> Answers:
        """Return what some rules answered at a place on a day."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a family of findings is looked for, and what its rules answered there, by day.

    Attributes:
        found: what they found, by day, the most pressing first.
        members: the family's lines on the rules that judge such a place, by rule.
        first, last: no answers are known of days before and after these.
        on: returns the answers of a day; none where nothing is known of it.
    """

    family: Family
    subject: Subject
    found: Mapping[date, Sequence[Finding]]
    members: Mapping[str, Member]
    first: date
    last: date
    on: Callable[[date], Answers]

    def between(self, first: date, last: date) -> Iterator[tuple[date, Answers]]:
        """Return the days of a span that have answers, rising, with these."""
        for day in days_from(max(first, self.first), min(last, self.last)):
            if answers := self.on(day):
                yield day, answers


def level_of(subject: Subject) -> At:
    """Return whether a subject is a row, or a header or more."""
    return At.ROW if subject.row else At.HEADER


def places(
    findings: Sequence[Finding], families: Sequence[Family], past: Past | None = None
) -> list[Place]:
    """Return every place at which a family's rule ever found something, in order of place.

    past: answers of the days before those of `findings`.
    """
    known = _by_place(findings)
    found = _found(chain(past.found if past else (), findings), families)
    days = {one.day for one in findings}
    if past and past.first < past.before:
        days |= {past.first, past.before - timedelta(days=1)}
    order, by_key = [family.key for family in families], {one.key: one for one in families}
    out = []
    for key, subject in sorted(found, key=lambda one: (one[1], order.index(one[0]))):
        members = _members(by_key[key], subject)
        by_day = {day: sorted(ones, key=_pressing) for day, ones in found[key, subject].items()}
        on = partial(_on, past, known.get(subject, {}), subject, frozenset(members))
        out.append(Place(by_key[key], subject, by_day, members, min(days), max(days), on))
    return out


def _by_place(findings: Iterable[Finding]) -> dict[Subject, ByDay]:
    out: dict[Subject, ByDay] = {}
    for one in findings:
        out.setdefault(one.answer.subject, {}).setdefault(one.day, []).append(one)
    return out


def _found(
    findings: Iterable[Finding], families: Iterable[Family]
) -> dict[tuple[str, Subject], ByDay]:
    """Return what was found, by family and place."""
    family_of = {(one.rule, one.at): family.key for family in families for one in family.members}
    out: dict[tuple[str, Subject], ByDay] = {}
    for one in findings:
        subject = one.answer.subject
        key = family_of.get((one.rule, level_of(subject)))
        if key is not None and one.answer.verdict is Verdict.FOUND:
            out.setdefault((key, subject), {}).setdefault(one.day, []).append(one)
    return out


def _on(
    past: Past | None, known: ByDay, subject: Subject, rules: frozenset[str], day: date
) -> Answers:
    if past and day < past.before:
        return past.on(subject, day, rules)
    return {one.rule: one for one in known.get(day, ()) if one.rule in rules}


def _members(family: Family, subject: Subject) -> dict[str, Member]:
    return {one.rule: one for one in family.members if one.at is level_of(subject)}


def _pressing(finding: Finding) -> tuple[int, str]:
    return PRESSING.index(finding.answer.urgency), finding.rule


def quantity(finding: Finding, name: str) -> float | None:
    """Return a number of a finding, None where it has none of that name."""
    return next((one.value for one in finding.answer.values if one.name == name), None)
