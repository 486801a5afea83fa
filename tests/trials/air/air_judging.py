"""An air trial run through the product, day after day, as nightly runs do but without the store."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

from helpers.scene_road import study_from

from rowcall.diagnosis.diagnose import diagnose, limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Answer, BaghouseDay, History, Subject
from rowcall.runs.judge import with_day
from rowcall.runs.study import Kept
from rowcall.store.samples import TagSamples
from trials.air import closed_form, orifice_feed, supply_net
from trials.air.air_day import AirDay, Physics, Place, recoveries_of, truth_of
from trials.air.air_faults import DAY_S, AirFault, Planted
from trials.air.air_keeping import AirCondition, baghouse_of, joined, keep_day
from trials.air.air_plan import AirPlan, draw_plan
from trials.by_plant import START

PhysicsName = Literal["plant", "vessel", "net"]
PHYSICS: Mapping[PhysicsName, Physics] = {
    "plant": closed_form.simulate,
    "vessel": orifice_feed.simulate,
    "net": supply_net.simulate,
}
DAYS = 6
Answers = Mapping[tuple[str, Subject], Answer]
Keep = Callable[[AirDay, AirCondition], Mapping[str, TagSamples]]
_UTC = ZoneInfo("UTC")
# Days that stay at hand: the faults of a seed share sound ones, its conditions what was simulated.
_KEPT, _SIMULATED = 32, 8


@dataclass(frozen=True, slots=True)
class Judged:
    """What the product said of an air trial, and the truth of its judged day.

    answers: of all rules on the judged day. truth: by (compartment, row, name), see `truth_of`; of
    sound trials that of `recoveries_of` too.
    sound: answers of every sound day of the trial, the first one first. took_s: to study the
    judged day and to ask the rules.
    """

    plan: AirPlan
    day: BaghouseDay
    answers: Answers
    truth: Mapping[Place, float]
    sound: tuple[Answers, ...]
    took_s: float

    @property
    def planted(self) -> Planted:
        """Fault, place and hours."""
        return self.plan.planted


@dataclass(frozen=True, slots=True)
class Past:
    """Days judged so far, the first one first; `last` is the last one, studied."""

    history: History = field(default_factory=History)
    samples: tuple[Mapping[str, TagSamples], ...] = ()
    answers: tuple[Answers, ...] = ()
    last: BaghouseDay | None = None
    took_s: float = 0.0


def judge_trial(
    seed: int,
    physics: PhysicsName,
    condition: AirCondition,
    fault: AirFault,
    days: int = DAYS,
) -> Judged:
    """Make one trial and judge its last day with all rules, the days before as its history."""
    plan = draw_plan(seed, fault, days)
    n_sound = days if fault.is_sound else days - 1 - fault.days_before
    past = sound_days(seed, physics, condition, fault.sound, days, n_sound)
    sound = past.answers
    for day in range(n_sound, days):
        past = next_day(past, _simulated(seed, physics, fault, days, day), condition)
    assert past.last is not None
    return Judged(
        plan=plan,
        day=past.last,
        answers=past.answers[-1],
        truth=_truth(seed, physics, fault, days),
        sound=sound,
        took_s=past.took_s,
    )


@lru_cache(maxsize=_SIMULATED)
def _truth(seed: int, physics: PhysicsName, fault: AirFault, days: int) -> Mapping[Place, float]:
    """What holds on the judged day; the same for every way of recording."""
    truth = dict(truth_of(_simulated(seed, physics, fault, days, days - 1)))
    if fault.is_sound:
        plan = draw_plan(seed, fault, days)
        truth |= recoveries_of(PHYSICS[physics], plan, DAY_S * (days - 1))
    return truth


@lru_cache(maxsize=_SIMULATED)
def _simulated(seed: int, physics: PhysicsName, fault: AirFault, days: int, day: int) -> AirDay:
    plan = draw_plan(seed, fault, days)
    return PHYSICS[physics](plan, (DAY_S * day, DAY_S * (day + 1)))


@lru_cache(maxsize=_KEPT)
def sound_days(
    seed: int, physics: PhysicsName, condition: AirCondition, sound: AirFault, days: int, n: int
) -> Past:
    """Judge the first n days of a baghouse with nothing planted."""
    if n == 0:
        return Past()
    past = sound_days(seed, physics, condition, sound, days, n - 1)
    return next_day(past, _simulated(seed, physics, sound, days, n - 1), condition)


def next_day(past: Past, air: AirDay, condition: AirCondition, keep: Keep = keep_day) -> Past:
    """Judge one more day."""
    samples = (*past.samples, keep(air, condition))
    baghouse = baghouse_of(air.plan, condition)
    n = len(samples)

    def read(start: datetime, end: datetime) -> Kept:
        first = (start - START).days
        return Kept(joined(samples[first:n]), {})

    begin = time.perf_counter()
    day = START.date() + timedelta(days=n - 1)
    studied = study_from(read, baghouse, day, _UTC, past.history)
    rules = load_rules()
    findings = diagnose(rules, limits_in_force(rules, {}), [studied])
    took_s = time.perf_counter() - begin
    answers = {(one.rule, one.answer.subject): one.answer for one in findings}
    history = with_day(past.history, studied, findings)
    return Past(history, samples, (*past.answers, answers), studied, took_s)
