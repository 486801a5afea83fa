"""Judge one plant-local day of a whole plant: study every baghouse, ask every rule."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, timedelta

import polars as pl

from rowcall.day_report import Change, DayReport
from rowcall.days import day_bounds
from rowcall.diagnosis.diagnose import diagnose
from rowcall.diagnosis.rule_book import load_families
from rowcall.guard import STUDY, Guard
from rowcall.memory.cases import Remembered, cases_on
from rowcall.model import (
    HISTORY_COLUMNS,
    VERDICT_COLUMNS,
    BaghouseDay,
    Case,
    Finding,
    History,
    Limits,
    Rule,
    Subject,
    Verdict,
    Work,
    WorkLog,
    since_work,
)
from rowcall.runs.due import HISTORY_DAYS
from rowcall.runs.study import study_day
from rowcall.site import Baghouse, Site
from rowcall.store import Store
from rowcall.store.ledger import files_of_day

_BEARS_FOR = timedelta(days=HISTORY_DAYS + 7)  # bags are changed row by row in a week
_NOT_MOVING = (Work.NOTE, Work.INSPECTED, Work.OUTAGE_PLANNED)  # the last is asked for apart


def settings_hash(site: Site, limits: Mapping[str, Limits]) -> str:
    """Return a short fingerprint of everything that decides a verdict besides the data."""
    houses = [house.model_dump(mode="json") for house in site.baghouse]
    text = json.dumps([houses, {name: dict(values) for name, values in limits.items()}])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def work_fingerprint(work: WorkLog, site: Site, day: date) -> str:
    """Return a short fingerprint of what the work log says that could move a day's answers.

    Empty where it says nothing of that kind. Lines move as others come in before them, and count
    only where an answer names them.
    """
    _, end = day_bounds(day, site.plant.zone)
    done = [
        [entry.at, entry.work, entry.subject, entry.position, entry.result, entry.part]
        + [entry.line] * (entry.work is Work.OFF)
        for entry in work.done_by(end)
        if entry.work in (Work.OFF, Work.ON)
        or (entry.work not in _NOT_MOVING and day - _BEARS_FOR < entry.day <= day)
    ]
    tomorrow = day + timedelta(days=1)
    outages = {work.next_outage(house.id, tomorrow) for house in site.baghouse} - {None}
    text = repr([done, sorted(map(str, outages))]) if done or outages else ""
    return text and hashlib.sha256(text.encode()).hexdigest()[:16]


def judge_day(
    store: Store,
    site: Site,
    day: date,
    rules: Sequence[Rule],
    limits: Mapping[str, Limits],
    *,
    history_of: Callable[[Baghouse], History],
    answers_before: Callable[[Collection[Subject]], Sequence[Finding]],
    work: WorkLog,
    guard: Guard,
    changed_settings: Mapping[str, str] | None = None,
    revision: int = 1,
) -> DayReport:
    """Return the judged day, ready to be reported and saved; nothing is written.

    Args:
        answers_before: those of all judged days before at some places, and at those where
            anything was found then.
        work: the whole work log; the day is judged by what it held at the day's end.
    """
    done = work.done_by(day_bounds(day, site.plant.zone)[1])
    days = [
        _study_guarded(
            store, site, house, day, since_work(history_of(house), done, day, house), guard
        )
        for house in site.baghouse
    ]
    findings = diagnose(rules, limits, days, guard, done)
    found = {one.answer.subject for one in findings if one.answer.verdict is Verdict.FOUND}
    known = _remembered(days, [*answers_before(found), *findings], done)
    return DayReport(
        site=site,
        day=day,
        baghouses=tuple(days),
        findings=tuple(findings),
        rules=tuple(rules),
        limits=limits,
        cases=_cases(site, day, known, rules, guard),
        files=tuple(files_of_day(store, day)),
        changed_settings=changed_settings or {},
        revision=revision,
        work=done,
    )


def _remembered(
    days: Sequence[BaghouseDay], answers: Sequence[Finding], work: WorkLog
) -> Remembered:
    facts = {day.baghouse.id: pl.concat([day.history.facts, _dated(day)]) for day in days}
    rows = {day.baghouse.id: len(day.baghouse.all_rows()) for day in days}
    return Remembered(answers=answers, work=work, facts=facts, rows=rows)


def _cases(
    site: Site, day: date, known: Remembered, rules: Sequence[Rule], guard: Guard
) -> tuple[Case, ...]:
    families = load_families()
    return guard.run(
        "",
        "cases",
        lambda: cases_on(
            day,
            known,
            families=families,
            rules=rules,
            zone=site.plant.zone,
            units=site.units.scales,
        ),
        lambda why: (),
    )


def _study_guarded(
    store: Store, site: Site, baghouse: Baghouse, day: date, history: History, guard: Guard
) -> BaghouseDay:
    span = day_bounds(day, site.plant.zone)
    return guard.run(
        baghouse.id,
        STUDY,
        lambda: study_day(store, site, baghouse, day, history),
        lambda why: BaghouseDay.unstudied(baghouse.on(day), day, span, history, why),
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
