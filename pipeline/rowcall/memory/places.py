"""Answers sorted by place and family: what a case is made of, day by day."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from rowcall.model import PRESSING, At, Family, Finding, Subject, Verdict
from rowcall.model.cause import Member

Answers = Mapping[str, Finding]  # by rule


@dataclass(frozen=True, slots=True)
class Place:
    """Where a family of findings is looked for, and what its rules answered there, by day.

    members: the family's lines on the rules that judge such a place, by rule.
    """

    family: Family
    subject: Subject
    days: Mapping[date, Answers]
    members: Mapping[str, Member]


def level_of(subject: Subject) -> At:
    """Return whether a subject is a row, or a header or more."""
    return At.ROW if subject.row else At.HEADER


def places(findings: Iterable[Finding], families: Sequence[Family]) -> list[Place]:
    """Return every place at which a family's rule ever found something, in order of place."""
    family_of = {(one.rule, one.at): family for family in families for one in family.members}
    days: dict[tuple[str, Subject], dict[date, dict[str, Finding]]] = {}
    found = set()
    for finding in findings:
        subject = finding.answer.subject
        family = family_of.get((finding.rule, level_of(subject)))
        if family is None:
            continue
        key = family.key, subject
        days.setdefault(key, {}).setdefault(finding.day, {})[finding.rule] = finding
        if finding.answer.verdict is Verdict.FOUND:
            found.add(key)
    by_key = {family.key: family for family in families}
    order = list(by_key)
    return [
        Place(by_key[key], subject, days[key, subject], _members(by_key[key], subject))
        for key, subject in sorted(found, key=lambda one: (one[1], order.index(one[0])))
    ]


def _members(family: Family, subject: Subject) -> dict[str, Member]:
    return {one.rule: one for one in family.members if one.at is level_of(subject)}


def found_in(answers: Answers) -> list[Finding]:
    """Return what was found on a day, the most pressing first."""
    found = [one for one in answers.values() if one.answer.verdict is Verdict.FOUND]
    return sorted(found, key=lambda one: (PRESSING.index(one.answer.urgency), one.rule))


def quantity(finding: Finding, name: str) -> float | None:
    """Return a number of a finding, None where it has none of that name."""
    return next((one.value for one in finding.answer.values if one.name == name), None)
