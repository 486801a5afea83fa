"""The cases of a day: every place followed, its causes weighed, what explains what."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, partial
from zoneinfo import ZoneInfo

import polars as pl

from rowcall.days import day_bounds
from rowcall.memory.explaining import explain
from rowcall.memory.life import lives
from rowcall.memory.places import Past, Place, places
from rowcall.memory.signs import Material
from rowcall.memory.weighing import ranked_causes
from rowcall.model import PRESSING, Case, Family, Finding, Rule, State, WorkLog
from rowcall.units import Units


@dataclass(frozen=True, slots=True, kw_only=True)
class Remembered:
    """What cases are worked out from, as of a day.

    Attributes:
        answers: of judged days up to it: of all of them, or of those from `past.before` on.
        work: the work log up to its end.
        facts: by baghouse, of the days before and of the day, columns `HISTORY_COLUMNS`.
        rows: by baghouse, how many it has.
        past: the answers of earlier days.
    """

    answers: Iterable[Finding]
    work: WorkLog
    facts: Mapping[str, pl.DataFrame]
    rows: Mapping[str, int]
    past: Past | None = None


def cases_on(
    day: date,
    known: Remembered,
    *,
    families: Sequence[Family],
    rules: Sequence[Rule],
    zone: ZoneInfo,
    units: Units,
) -> tuple[Case, ...]:
    """Return the cases as of the end of a day, the most pressing first; those closed earlier not.

    The same answers and entries give the same cases, whatever order they came in.
    """
    return all_cases_on(day, known, families=families, rules=rules, zone=zone, units=units)[0]


def all_cases_on(
    day: date,
    known: Remembered,
    *,
    families: Sequence[Family],
    rules: Sequence[Rule],
    zone: ZoneInfo,
    units: Units,
) -> tuple[tuple[Case, ...], tuple[Case, ...]]:
    """Return `cases_on` the day and, without their causes, the cases closed on earlier days."""
    bounds = cache(partial(day_bounds, zone=zone))
    all_lives = [
        (place, case)
        for place in places([one for one in known.answers if one.day <= day], families, known.past)
        for case in lives(place, known.work, day, bounds, units)
    ]
    followed = [(place, case) for place, case in all_lives if case.closed in (None, day)]
    by_family = {family.key: family for family in families}
    explained = explain([case for _, case in followed], by_family, known.rows)
    by_name = {rule.name: rule for rule in rules}
    weighed = [
        replace(case, causes=ranked_causes(_material(place, case, explained, known), by_name))
        for (place, _), case in zip(followed, explained, strict=True)
    ]
    before = tuple(case for _, case in all_lives if case.closed not in (None, day))
    return tuple(sorted(weighed, key=_order)), before


def _material(place: Place, case: Case, cases: Sequence[Case], known: Remembered) -> Material:
    house = case.subject.baghouse
    others = [
        other
        for other in cases
        if other.id != case.id and other.subject.baghouse == house and other.state is State.OPEN
    ]
    shares = [
        one.share for other in others for one in other.explains if one.finding in case.findings
    ]
    accounted = sum(shares) if shares else 0.0 if place.family.key == "cloth" else math.nan
    return Material(case, place, others, known.facts.get(house, pl.DataFrame()), accounted)


def _order(case: Case) -> tuple[object, ...]:
    return case.state.value, PRESSING.index(case.urgency), case.subject, case.family
