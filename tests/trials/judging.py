"""A trial run through the product's pipeline, as on a nightly run but without the store."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl
from helpers.scene_road import study_span

from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.events.find import Events, Signals, find_events
from rowcall.model import FactBook, Verdict
from rowcall.site import Baghouse
from trials.trial import Trial

ROW_RULES = ("row_silent", "row_weak", "row_closes_late")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the product said of a trial.

    verdicts: by (rule, row); row 0 is the whole header. A rule that exists but did not name a row
    cannot judge it. facts: by (row, name). find_events_s: time taken by `find_events`.
    """

    verdicts: Mapping[tuple[str, int], Verdict]
    facts: Mapping[tuple[int, str], float]
    find_events_s: float


def known_rules() -> tuple[str, ...]:
    """Names of the row rules that the product has."""
    names = {rule.name for rule in load_rules()}
    return tuple(name for name in ROW_RULES if name in names)


def judge_trial(trial: Trial) -> Outcome:
    """Run one trial through the pipeline and ask the row rules."""
    took_s: list[float] = []

    def timed(
        baghouse: Baghouse, signals: Signals, minutes: pl.DataFrame, seconds: float
    ) -> Events:
        begin = time.perf_counter()
        events = find_events(baghouse, signals, minutes, seconds)
        took_s.append(time.perf_counter() - begin)
        return events

    span = (trial.start, trial.end)
    day, _ = study_span(trial.baghouse, span[0].date(), span, trial.samples, {}, find=timed)
    rules = [rule for rule in load_rules() if rule.name in ROW_RULES]
    answers = diagnose(rules, limits_in_force(rules, {}), [day])
    verdicts = {
        (rule.name, label.row): Verdict.CANNOT_TELL for rule in rules for label in trial.labels
    }
    verdicts |= {(found.rule, found.answer.subject.row): found.answer.verdict for found in answers}
    facts = {
        (row, fact.column): value
        for (fact, compartment, row), value in FactBook(day.facts).items()
        if compartment == 1
    }
    return Outcome(verdicts, facts, took_s[0])
