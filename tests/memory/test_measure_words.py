"""The number of a case in words, in the unit that people would say it in."""

from __future__ import annotations

import pytest
from helpers.case_days import UNITS, day

from rowcall.diagnosis.rule_book import load_families
from rowcall.memory.measures import words_of
from rowcall.model import Answer, Finding, Quantity, Subject, Verdict


@pytest.mark.parametrize(
    ("rule", "name", "seconds", "words"),
    [
        ("dew_point", "below_water", 1350.0, "22 min in water film"),
        ("dew_point", "below_water", 90.0, "90.0 s in water film"),
        ("row_closes_late", "late_s", 0.84, "closes 0.8 s late"),
    ],
)
def test_long_times_are_in_minutes(rule: str, name: str, seconds: float, words: str) -> None:
    member = next(one for f in load_families() for one in f.members if one.rule == rule)
    quantity = Quantity(name, seconds, "s")
    answer = Answer(
        subject=Subject("BH1", 1, 1), verdict=Verdict.FOUND, text="", values=(quantity,)
    )
    assert words_of([member], {rule: Finding(day(1), rule, answer)}, UNITS) == words
