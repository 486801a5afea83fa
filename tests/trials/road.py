"""A trial led along the product's road, as on a nightly run but without the store."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

from scenes import no_history

from rowcall.condition.gate import condition
from rowcall.condition.minutes import minute_table
from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.fact_book import fact_book
from rowcall.diagnosis.rule_book import load_rules
from rowcall.events.facts import daily_facts
from rowcall.events.find import find_events
from rowcall.model import BaghouseDay, Verdict
from trials.trial import Trial

ROW_RULES = ("row_silent", "row_faint", "row_drawn_out")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the product said of a trial.

    verdicts: by (rule, row); row 0 is the whole header. A rule that exists but did not name a row
    cannot tell of it. facts: by (row, name). find_events_s: time taken by `find_events`.
    """

    verdicts: Mapping[tuple[str, int], Verdict]
    facts: Mapping[tuple[int, str], float]
    find_events_s: float


def known_rules() -> tuple[str, ...]:
    """Names of the row rules that the product has."""
    names = {rule.name for rule in load_rules()}
    return tuple(name for name in ROW_RULES if name in names)


def judge_trial(trial: Trial) -> Outcome:
    """Lead one trial along the road and ask the row rules."""
    baghouse, seconds = trial.baghouse, (trial.end - trial.start).total_seconds()
    conditioned = condition(baghouse, trial.start, trial.end, trial.samples, {})
    minutes = minute_table(baghouse, conditioned.signals, seconds)
    begin = time.perf_counter()
    events = find_events(baghouse, conditioned.signals, minutes, seconds)
    took_s = time.perf_counter() - begin
    day = BaghouseDay(
        day=trial.start.date(),
        start=trial.start,
        end=trial.end,
        baghouse=baghouse,
        signals=conditioned.signals,
        health=conditioned.health,
        minutes=minutes,
        pulses=events.pulses,
        cycles=events.cycles,
        facts=daily_facts(baghouse, minutes, events),
        history=no_history(),
        fires_known=events.fires_known,
    )
    rules = [rule for rule in load_rules() if rule.name in ROW_RULES]
    answers = diagnose(rules, limits_in_force(rules, {}), [day])
    verdicts = {
        (rule.name, label.row): Verdict.CANNOT_TELL for rule in rules for label in trial.labels
    }
    verdicts |= {(found.rule, found.answer.subject.row): found.answer.verdict for found in answers}
    facts = {
        (row, name): value
        for (compartment, row, name), value in fact_book(day.facts).items()
        if compartment == 1
    }
    return Outcome(verdicts, facts, took_s)
