"""Diagnose: every rule on every baghouse of a day; what it needs and lacks is said here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cache, partial
from graphlib import TopologicalSorter

import polars as pl

from rowcall.diagnosis.sensors.condemned import (
    Condemned,
    distrusted,
    sound_history,
    without_condemned,
)
from rowcall.errors import SiteError
from rowcall.guard import UNGUARDED, Guard
from rowcall.model import (
    Answer,
    BaghouseDay,
    Chapter,
    Context,
    Fact,
    FactBook,
    Finding,
    Lack,
    Limits,
    Need,
    Quantity,
    Rule,
    Subject,
    Verdict,
    Work,
    WorkLog,
    since_words,
)
from rowcall.site import ROLES, Role, Sample
from rowcall.units import parse_quantity, percent

_FIND_ROW = "First find which row this place is: watch one round of the sequence at the valves."
_NO_WORK = WorkLog()


def limits_in_force(
    rules: Sequence[Rule], settings: Mapping[str, Mapping[str, object]]
) -> dict[str, Limits]:
    """Return every rule's thresholds in inside units, the site's settings over the defaults.

    Raises:
        SiteError: a setting names no rule or threshold, or its value cannot be read.
    """
    known = {rule.name: rule for rule in rules}
    now_called = {rule.formerly: rule.name for rule in rules if rule.formerly}
    for name in settings:
        if name in now_called:
            raise SiteError(f"rules.{name}: this rule is called {now_called[name]} now; rename it.")
        if name not in known:
            raise SiteError(f"rules.{name}: there is no such rule; allowed: {', '.join(known)}.")
    return {rule.name: _limits(rule, settings.get(rule.name, {})) for rule in rules}


def _limits(rule: Rule, settings: Mapping[str, object]) -> Limits:
    thresholds = {threshold.key: threshold for threshold in rule.thresholds}
    for key in settings:
        if key not in thresholds:
            raise SiteError(
                f"rules.{rule.name}.{key}: this rule has no such threshold; "
                f"allowed: {', '.join(thresholds)}."
            )
    limits = {}
    for key, threshold in thresholds.items():
        text = settings.get(key, threshold.text)
        try:
            limits[key] = parse_quantity(text, threshold.dimension)
        except ValueError as error:
            raise SiteError(f"rules.{rule.name}.{key}: {error} (found {text!r}).") from error
    return limits


def diagnose(
    rules: Iterable[Rule],
    limits: Mapping[str, Limits],
    days: Iterable[BaghouseDay],
    guard: Guard = UNGUARDED,
    work: WorkLog = _NO_WORK,
) -> list[Finding]:
    """Return every rule's answers on every baghouse-day, in a fixed order.

    A rule that fails, and all on a baghouse whose day could not be studied, cannot tell.
    """
    ordered = in_order(rules)
    findings = [
        Finding(day.day, name, answer)
        for day in days
        for name, answers in _ask_all(ordered, limits, day, guard, work).items()
        for answer in answers
    ]
    return sorted(findings, key=_order)


def in_order(rules: Iterable[Rule]) -> list[Rule]:
    """Return rules so that each comes after those whose answers it reads, those of sensors first.

    Rules that are not in force need not be waited for.
    """
    known = {rule.name: rule for rule in rules}
    sensors = [name for name, rule in known.items() if rule.chapter is Chapter.SENSORS]
    before = {
        name: [one for one in rule.after if one in known] + ([] if name in sensors else sensors)
        for name, rule in known.items()
    }
    return [known[name] for name in TopologicalSorter(before).static_order()]


def _order(finding: Finding) -> tuple[date, str, int, int, str]:
    subject = finding.answer.subject
    return finding.day, subject.baghouse, subject.compartment, subject.row, finding.rule


def _ask_all(
    rules: Iterable[Rule],
    limits: Mapping[str, Limits],
    day: BaghouseDay,
    guard: Guard,
    work: WorkLog,
) -> dict[str, tuple[Answer, ...]]:
    facts, answers = FactBook(day.facts), dict[str, tuple[Answer, ...]]()
    condemned, rules = Condemned(), list(rules)
    of_sensors = [rule for rule in rules if rule.chapter is Chapter.SENSORS]
    trusting = replace(day, history=sound_history(day, of_sensors))
    on = cache(partial(_without_off, day, facts, work))
    for rule in rules:
        is_of_sensors = rule.chapter is Chapter.SENSORS
        context = Context(
            day=day if is_of_sensors else trusting,
            limits=limits[rule.name],
            facts=facts,
            answers=answers,
            work=work,
        )
        trusted = Condemned() if is_of_sensors else condemned
        answers[rule.name] = _ask_guarded(rule, context, on, trusted, guard)
        if is_of_sensors:
            condemned = condemned.plus(rule, answers[rule.name])
    return answers


def _ask_guarded(
    rule: Rule, context: Context, on: Callable[[], _On], condemned: Condemned, guard: Guard
) -> tuple[Answer, ...]:
    def unknown(why: str) -> tuple[Answer, ...]:
        return (Answer.cannot_tell(context.subject(), why, Lack.NOTHING),)

    day = context.day
    if day.failed:
        return unknown(day.failed)
    return guard.run(
        day.baghouse.id,
        f"rule {rule.name}",
        lambda: tuple(_ask(rule, context, on, condemned)),
        unknown,
    )


def _ask(
    rule: Rule, asked: Context, on: Callable[[], _On], condemned: Condemned
) -> Iterator[Answer]:
    context = on().of(asked) if rule.excused_off else asked
    context = without_condemned(rule, context, condemned)
    day = context.day
    for need in rule.needs:
        if missing := _missing_tags(need, day) or _missing_past(need, context):
            yield missing
            return
    judged = (distrusted(rule, day, answer, condemned) for answer in rule.judge(context))
    answers = (with_place(day, answer) for answer in judged)
    yield from (_excused(asked, answer) if rule.excused_off else answer for answer in answers)
    for need in rule.needs:
        if need.only_first:
            yield from _not_judged(need, day)


@dataclass(frozen=True, slots=True)
class _On:
    """What a day holds of places that were not off on purpose."""

    facts: pl.DataFrame
    hours: pl.DataFrame
    pulses: pl.DataFrame
    book: FactBook

    def of(self, context: Context) -> Context:
        """Return the context of a rule with these only."""
        day = replace(context.day, facts=self.facts, hours=self.hours, pulses=self.pulses)
        return replace(context, day=day, facts=self.book)


def _without_off(day: BaghouseDay, book: FactBook, work: WorkLog) -> _On:
    context = Context(day=day, limits={}, facts=book, answers={}, work=work)
    known = day.facts.select("compartment", "row").unique() if any(work.of(Work.OFF)) else None
    off = [] if known is None else [place for place in known.iter_rows() if context.off(*place)]
    if not off:
        return _On(day.facts, day.hours, day.pulses, book)
    at = pl.struct("compartment", "row").is_in([{"compartment": c, "row": r} for c, r in off])
    is_on = ~pl.col("compartment").is_in([c for c, row in off if not row]).fill_null(value=False)
    facts = day.facts.filter(~at)
    return _On(facts, day.hours.filter(is_on), day.pulses.filter(is_on), FactBook(facts))


def _excused(context: Context, answer: Answer) -> Answer:
    """Return the answer, or of a subject that was off on purpose that it was."""
    day, subject = context.day, answer.subject
    entry = context.work.off(subject, day.start, day.end)
    if entry is None:
        return answer
    n_answered = context.facts.of(Fact.N_ANSWERED, subject.compartment, subject.row)
    also = f" It answered {n_answered:,.0f} pulses all the same." if n_answered > 0 else ""
    text = f"Off on purpose since {entry.date} (work log, line {entry.line}).{also}"
    return Answer.clear(subject, text)


def with_place(day: BaghouseDay, answer: Answer) -> Answer:
    """Return the answer, saying how its row was inferred where header pressure alone shows it."""
    subject = answer.subject
    inferred = day.inferred.get(subject.compartment)
    if inferred is None or not subject.row:
        return answer
    if not day.counts_places(subject.compartment):
        is_clear = answer.verdict is Verdict.CLEAR
        return answer if is_clear else replace(answer, text=f"{answer.text} ({inferred.text}.)")
    if subject.row > inferred.n_places:
        return Answer.cannot_tell(
            subject, f"a round has only {inferred.n_places} places {inferred.text}", Lack.NOTHING
        )
    where = f"Place {subject.row} of {inferred.n_places} {inferred.text}."
    return replace(
        answer,
        subject=replace(subject, is_place=True),
        text=f"{answer.text} {where}",
        action=f"{_FIND_ROW} {answer.action}" if answer.action else "",
    )


def _lacks(
    need: Need,
    day: BaghouseDay,
    why: str,
    lack: Lack,
    of: str = "",
    values: Iterable[Quantity] = (),
) -> Answer:
    subject = Subject(day.baghouse.id)
    why = f"{why}, which this rule needs {need.purpose}"
    return Answer.cannot_tell(subject, why, lack, of, values=values)


def _missing_tags(need: Need, day: BaghouseDay) -> Answer | None:
    """Say what is missing of the tags, None where nothing is."""
    if not need.any_of:
        return None
    usable = [
        tag
        for tag in day.health
        if tag.role in need.any_of and (tag.role, tag.compartment, tag.row) in day.signals
    ]
    names = " or ".join(ROLES[role].name for role in need.any_of)
    if not any(place[0] in need.any_of for place in day.signals):
        return _unusable(need, day, names)
    unevenly = {tag.tag for tag in day.baghouse.tag if tag.sample is not Sample.AT_INTERVALS}
    steps = (0.0 if tag.tag in unevenly else tag.step_s for tag in usable)
    step_s = min(filter(math.isfinite, steps), default=0.0)
    if step_s > need.max_step_s:
        wanted = f"{need.max_step_s:.0f} s"
        why = f"{names} is sampled every {step_s:.0f} s only, {wanted} or less are needed"
        if Role.HEADER_PRESSURE in need.any_of:  # what is needed just passes
            return _lacks(need, day, why, Lack.FINE_PRESSURE)
        return _lacks(need, day, why, Lack.STEP, f"{names} at least every {wanted}")
    covered = max((tag.coverage_frac for tag in usable), default=1.0)
    if covered < need.min_coverage:
        wanted = percent(need.min_coverage)
        why = f"{names} covers {percent(covered)} of the day, {wanted} are needed"
        return _lacks(need, day, why, Lack.COVERAGE, names)
    return None


def _unusable(need: Need, day: BaghouseDay, names: str) -> Answer:
    in_site = [tag for tag in day.baghouse.tag if tag.role in need.any_of]
    if not in_site:
        return _lacks(need, day, f"the site file names no tag for {names}", Lack.TAG, names)
    problems = {report.tag: report.problem for report in day.health if report.problem}
    tag = in_site[0].tag
    reason = problems.get(tag, "no usable value")
    more = f" (and {len(in_site) - 1} more like it)" if len(in_site) > 1 else ""
    why = f"no usable {names} on this day: {tag}{more}: {reason}"
    return _lacks(need, day, why, Lack.USABLE_TAG, f"{tag} ({names})")


def _missing_past(need: Need, context: Context) -> Answer | None:
    """Count the days of the first fact that today has; where it has none, the rule says why."""
    known = next((fact for fact in need.past if (fact, 0, 0) in context.facts), None)
    if known is None:
        return None
    days, wanted = len(context.history.of(known)[0]) + 1, context.limits[need.days]
    if days >= wanted:
        return None
    since = since_words(context.history, known, context.subject()) or " so far"
    why = f"only {days} days are known{since}, {wanted:.0f} are needed"
    level = Quantity("level", context.facts[known, 0, 0], known.value.unit)
    return _lacks(need, context.day, why, Lack.HISTORY, values=(level,))


def _not_judged(need: Need, day: BaghouseDay) -> Iterator[Answer]:
    """Name the tags of a role that a rule does not judge, because another stands for them."""
    for role in need.any_of:
        places = sorted(place for place in day.signals if place[0] is role)
        for _, compartment, row in places[1:]:
            first = f"compartment {places[0][1]}" if places[0][1] else "the whole baghouse"
            yield Answer.cannot_tell(
                Subject(day.baghouse.id, compartment, row),
                f"the {ROLES[role].name} of {first} is judged instead of this one",
                Lack.OTHER_TAG,
            )
