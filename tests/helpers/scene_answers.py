"""Asking one rule about a day of the tests, and reading its answers."""

from __future__ import annotations

from collections.abc import Mapping

from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Answer, BaghouseDay, Rule, Subject, Verdict, WorkLog


def rule(name: str) -> Rule:
    """Return the rule of a name."""
    return next(one for one in load_rules() if one.name == name)


def ask(
    name: str,
    day: BaghouseDay,
    settings: Mapping[str, str] | None = None,
    work: WorkLog | None = None,
) -> dict[Subject, Answer]:
    """Return one rule's answers on a day, by subject; no subject may be answered twice.

    The rules whose answers it reads are asked too.
    """
    rules = [rule(one) for one in (name, *rule(name).after)]
    limits = limits_in_force(rules, {name: settings or {}})
    answers = [
        one.answer
        for one in diagnose(rules, limits, [day], work=work or WorkLog())
        if one.rule == name
    ]
    by_subject = {answer.subject: answer for answer in answers}
    assert len(by_subject) == len(answers)
    return by_subject


def found(answers: Mapping[Subject, Answer]) -> set[tuple[int, int]]:
    """Return the (compartment, row) of everything found."""
    return {
        (subject.compartment, subject.row)
        for subject, answer in answers.items()
        if answer.verdict is Verdict.FOUND
    }


def value_of(answer: Answer, name: str) -> float:
    """Return a supporting number of an answer."""
    return next(quantity.value for quantity in answer.values if quantity.name == name)
