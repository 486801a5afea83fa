"""Histories of the facts that `blinding` reads, and its answer to them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
from helpers.daily_facts import answer_by_days

from rowcall.model import Answer, Fact, Floats
from rowcall.site import Baghouse
from rowcall_rules.filter.blinding import RULE

LAST = date(2026, 3, 31)


def answer_of(
    house: Baghouse,
    series: Mapping[Fact, Floats],
    before: Mapping[str, tuple[Answer, ...]] | None = None,
) -> Answer:
    """Return the rule's answer on the last day of facts by day, as `answer_by_days`."""
    return answer_by_days(RULE, house, series, LAST, before)


def by_fact(days: list[dict[Fact, float]]) -> dict[Fact, Floats]:
    """Turn one mapping a day into one series a fact."""
    names = {fact for day in days for fact in day}
    return {fact: np.array([day.get(fact, np.nan) for day in days]) for fact in names}
