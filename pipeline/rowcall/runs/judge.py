"""Judge one plant-local day of a whole plant: study every baghouse, ask every rule."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta

import polars as pl

from rowcall.day_report import Change, DayReport
from rowcall.days import day_bounds
from rowcall.diagnosis.diagnose import diagnose
from rowcall.diagnosis.rule_book import load_families
from rowcall.guard import Guard
from rowcall.memory.cases import Remembered, all_cases_on
from rowcall.memory.places import Past
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
    past: Past,
    work: WorkLog,
    guard: Guard,
    changed_settings: Mapping[str, str] | None = None,
    revision: int = 1,
) -> DayReport:
    """Return the judged day, ready to be reported and saved; nothing is written.

    Args:
        study: returns a baghouse on the day of the guard, with its past.
        past: answers of the judged days before it.
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
        lambda: cases_of(site, day, rules, past, findings, facts, done),
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


def followed_rules() -> dict[tuple[str, bool], frozenset[str]]:
    """Return, by rule and whether it judges rows, its family's rules that judge such places."""
    members = [(family.key, one) for family in load_families() for one in family.members]
    return {
        (one.rule, one.at is At.ROW): frozenset(
            kin.rule for other, kin in members if (other, kin.at) == (key, one.at)
        )
        for key, one in members
    }


def cases_of(
    site: Site,
    day: date,
    rules: Sequence[Rule],
    past: Past,
    answers: Iterable[Finding],
    facts: Mapping[str, pl.DataFrame],
    work: WorkLog,
) -> tuple[tuple[Case, ...], tuple[Case, ...]]:
    """Return `all_cases_on` a day of a plant; past, answers and so on as `Remembered` has them."""
    rows = {house.id: len(house.all_rows()) for house in site.baghouse}
    known = Remembered(answers=answers, work=work, facts=facts, rows=rows, past=past)
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
