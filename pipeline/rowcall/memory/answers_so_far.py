"""The answers of days judged one after the other, none of which is in a store."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from rowcall.memory.places import Answers, Past
from rowcall.model import Finding, Subject, Verdict


class AnswersSoFar:
    """A past that grows by the days judged; asking it takes as long, however many they are.

    Attributes:
        before: the day after the last one judged.
        found: what was found on any day.
    """

    def __init__(self, earlier: Past) -> None:
        self.before, self.first = earlier.before, earlier.first
        self.found = list(earlier.found)
        self._earlier = earlier
        self._judged: dict[tuple[date, Subject], dict[str, Finding]] = {}

    def add(self, day: date, findings: Iterable[Finding]) -> None:
        """Let a judged day, later than those before, count as past."""
        self.before = day + timedelta(days=1)
        for one in findings:
            self._judged.setdefault((day, one.answer.subject), {})[one.rule] = one
            if one.answer.verdict is Verdict.FOUND:
                self.found.append(one)

    def on(self, subject: Subject, day: date, rules: frozenset[str]) -> Answers:
        """Return what some rules answered at a place on a day."""
        if day < self._earlier.before:
            return self._earlier.on(subject, day, rules)
        answers = self._judged.get((day, subject), {})
        return {rule: one for rule, one in answers.items() if rule in rules}
