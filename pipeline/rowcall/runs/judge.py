"""Judge one plant-local day of a whole plant: study every baghouse, ask every rule."""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from itertools import pairwise

import polars as pl

from rowcall.day_report import Change, DayReport
from rowcall.days import day_bounds
from rowcall.diagnosis.diagnose import diagnose
from rowcall.diagnosis.rule_book import load_families
from rowcall.guard import Guard
from rowcall.memory.cases import Remembered, all_cases_on
from rowcall.memory.places import level_of
from rowcall.memory.signs import DROPS_BY
from rowcall.model import (
    HISTORY_COLUMNS,
    VERDICT_COLUMNS,
    At,
    BaghouseDay,
    Case,
    Finding,
    History,
    Limits,
    Rule,
    Subject,
    Verdict,
    WorkLog,
    since_work,
)
from rowcall.runs.due import HISTORY_DAYS
from rowcall.site import Baghouse, Site
from rowcall.store import Store
from rowcall.store.ledger import files_of_day
from rowcall.store.results import FOLLOWED_DAYS, answers_before


def settings_hash(site: Site, limits: Mapping[str, Limits]) -> str:
    """Return a short fingerprint of everything that decides a verdict besides the data."""
    houses = [house.model_dump(mode="json") for house in site.baghouse]
    text = json.dumps([houses, {name: dict(values) for name, values in limits.items()}])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def judge_day(
    store: Store,
    site: Site,
    day: date,
    rules: Sequence[Rule],
    limits: Mapping[str, Limits],
    *,
    study: Callable[[Guard, Baghouse, History], BaghouseDay],
    history_of: Callable[[Baghouse], History],
    earlier: Callable[[Mapping[Subject, date]], Sequence[Finding]],
    work: WorkLog,
    guard: Guard,
    changed_settings: Mapping[str, str] | None = None,
    revision: int = 1,
) -> DayReport:
    """Return the judged day, ready to be reported and saved; nothing is written.

    Args:
        study: returns a baghouse on the day of the guard, with its past.
        earlier: answers of the days before, as `stored_answers` has them.
        work: the whole work log; the day is judged by what it held at the day's end.
    """
    done = work.done_by(day_bounds(day, site.plant.zone)[1])
    days = [
        study(guard, house, since_work(history_of(house), done, day, house))
        for house in site.baghouse
    ]
    findings = diagnose(rules, limits, days, guard, done)
    facts = {one.baghouse.id: pl.concat([one.history.facts, _dated(one)]) for one in days}
    cases, closed = guard.run(
        "",
        "cases",
        lambda: cases_of(site, day, rules, lambda at: [*earlier(at), *findings], facts, done),
        lambda why: ((), ()),
    )
    return DayReport(
        site=site,
        day=day,
        baghouses=tuple(days),
        findings=tuple(findings),
        rules=tuple(rules),
        limits=limits,
        cases=cases,
        closed_cases=closed,
        files=tuple(files_of_day(store, day)),
        changed_settings=changed_settings or {},
        revision=revision,
        work=done,
    )


def stored_answers(store: Store, day: date, places: Mapping[Subject, date]) -> list[Finding]:
    """Return `answers_before` a day at some places, as the cases of this version need them."""
    members = [
        (family.key, one.rule, one.at is At.ROW)
        for family in load_families()
        for one in family.members
    ]
    return answers_before(store, day, places, members=members, ever=DROPS_BY)


Cases = tuple[Case, ...]


def cases_of(
    site: Site,
    day: date,
    rules: Sequence[Rule],
    answers_at: Callable[[Mapping[Subject, date]], Sequence[Finding]],
    facts: Mapping[str, pl.DataFrame],
    work: WorkLog,
) -> tuple[Cases, Cases]:
    """Return `all_cases_on` a day of a plant; facts and work as `Remembered` has them.

    Args:
        answers_at: those up to the day, of days before as `answers_before` returns them.
    """
    answers = answers_at({})
    cases = _cases_of(site, day, rules, answers, facts, work)
    longer = _looking_back(cases, answers)
    return _cases_of(site, day, rules, answers_at(longer), facts, work) if longer else cases


def _looking_back(cases: tuple[Cases, Cases], answers: Iterable[Finding]) -> dict[Subject, date]:
    """Return the places of which cases rest on more than the days after each finding, and since.

    These are cases that have causes, as they were not closed before the day, and those found again
    after a longer while: whether they were closed in between is not known yet.
    """
    families = {(one.rule, one.at): family for family in load_families() for one in family.members}
    days = defaultdict[tuple[Subject, str], set[date]](set)
    for one in answers:
        subject = one.answer.subject
        family = families.get((one.rule, level_of(subject)))
        if family is not None and one.answer.verdict is Verdict.FOUND:
            days[subject, family.key].add(one.day)
    followed, closed = cases
    long = [
        case
        for case in closed
        if any(
            (other - one).days > FOLLOWED_DAYS and case.opened <= one and other <= case.last_found
            for one, other in pairwise(sorted(days[case.subject, case.family]))
        )
    ]
    since: dict[Subject, date] = {}
    for case in (*followed, *long):
        since[case.subject] = min(since.get(case.subject, date.max), case.opened)
    return since


def _cases_of(
    site: Site,
    day: date,
    rules: Sequence[Rule],
    answers: Iterable[Finding],
    facts: Mapping[str, pl.DataFrame],
    work: WorkLog,
) -> tuple[Cases, Cases]:
    rows = {house.id: len(house.all_rows()) for house in site.baghouse}
    known = Remembered(answers=answers, work=work, facts=facts, rows=rows)
    return all_cases_on(
        day,
        known,
        families=load_families(),
        rules=rules,
        zone=site.plant.zone,
        units=site.units.scales,
    )


def changes_since(
    before: Mapping[tuple[str, Subject], Verdict], findings: Sequence[Finding]
) -> tuple[Change, ...]:
    """Return the verdicts that differ from an earlier judgement, in order of rule and subject."""
    now = {(f.rule, f.answer.subject): f.answer.verdict for f in findings}
    return tuple(
        Change(rule, subject, before.get((rule, subject)), now.get((rule, subject)))
        for rule, subject in sorted(before.keys() | now.keys())
        if before.get((rule, subject)) is not now.get((rule, subject))
    )


def verdict_table(baghouse: str, findings: Sequence[Finding]) -> pl.DataFrame:
    """Return the verdicts on a baghouse as later days see them, columns `VERDICT_COLUMNS`."""
    lines = [
        (
            finding.day,
            finding.rule,
            finding.answer.subject.compartment,
            finding.answer.subject.row,
            finding.answer.verdict.value,
            finding.answer.urgency.value if finding.answer.urgency else None,
        )
        for finding in findings
        if finding.answer.subject.baghouse == baghouse and not finding.answer.subject.is_place
    ]
    return pl.DataFrame(lines, schema=VERDICT_COLUMNS, orient="row")


def with_day(history: History, day: BaghouseDay, findings: Sequence[Finding]) -> History:
    """Add a judged day to a history and let go of what lies too far back."""
    oldest = day.day - timedelta(days=HISTORY_DAYS - 1)
    verdicts = verdict_table(day.baghouse.id, findings)
    return History(
        pl.concat([history.facts.filter(pl.col("day") >= oldest), _dated(day)]),
        pl.concat([history.verdicts.filter(pl.col("day") >= oldest), verdicts]),
        history.other_settings,
    )


def _dated(day: BaghouseDay) -> pl.DataFrame:
    return day.facts.with_columns(day=pl.lit(day.day)).select(*HISTORY_COLUMNS)
