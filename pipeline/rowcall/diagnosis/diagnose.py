"""Diagnose: every rule on every baghouse of a day, missing tags turned into 'cannot tell'."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date

from rowcall.errors import SiteError
from rowcall.model import (
    Answer,
    BaghouseDay,
    Finding,
    Limits,
    Need,
    Rule,
    Subject,
    Verdict,
)
from rowcall.site import ROLES
from rowcall.units import parse_quantity

_FIND_ROW = "First find which row this place is: watch one round of the sequence at the valves."


def limits_in_force(
    rules: Sequence[Rule], settings: Mapping[str, Mapping[str, object]]
) -> dict[str, Limits]:
    """Return every rule's thresholds in inside units, the site's settings over the defaults.

    Raises:
        SiteError: a setting names no rule or threshold, or its value cannot be read.
    """
    known = {rule.name: rule for rule in rules}
    for name in settings:
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
    rules: Iterable[Rule], limits: Mapping[str, Limits], days: Iterable[BaghouseDay]
) -> list[Finding]:
    """Return every rule's answers on every baghouse-day, in a fixed order."""
    findings = [
        Finding(day.day, rule.name, answer)
        for day in days
        for rule in rules
        for answer in _ask(rule, limits[rule.name], day)
    ]
    return sorted(findings, key=_order)


def _order(finding: Finding) -> tuple[date, str, int, int, str]:
    subject = finding.answer.subject
    return finding.day, subject.baghouse, subject.compartment, subject.row, finding.rule


def _ask(rule: Rule, limits: Limits, day: BaghouseDay) -> Iterable[Answer]:
    for need in rule.needs:
        why = _missing(need, day)
        if why:
            yield Answer(
                subject=Subject(day.baghouse.id),
                verdict=Verdict.CANNOT_TELL,
                text=f"{why}, which this rule needs {need.purpose}.",
            )
            return
    yield from (told_as_place(day, answer) for answer in rule.judge(day, limits))


def told_as_place(day: BaghouseDay, answer: Answer) -> Answer:
    """Return the answer, saying how its row was told where header pressure alone tells it."""
    subject = answer.subject
    told = day.inferred.get(subject.compartment)
    if told is None or not subject.row:
        return answer
    if not day.counts_places(subject.compartment):
        untold = answer.verdict is not Verdict.CLEAR
        return replace(answer, text=f"{answer.text} ({told.text}.)") if untold else answer
    if subject.row > told.n_places:
        return Answer.cannot_tell(subject, f"a round has only {told.n_places} places {told.text}")
    where = f"Place {subject.row} of {told.n_places} {told.text}."
    return replace(
        answer,
        subject=replace(subject, is_place=True),
        text=f"{answer.text} {where}",
        action=f"{_FIND_ROW} {answer.action}" if answer.action else "",
    )


def _missing(need: Need, day: BaghouseDay) -> str:
    """Say which roles are missing; empty when at least one of them is usable."""
    if any(place[0] in need.any_of for place in day.signals):
        return ""
    in_site = [tag for tag in day.baghouse.tag if tag.role in need.any_of]
    names = " or ".join(ROLES[role].name for role in need.any_of)
    if not in_site:
        return f"the site file names no tag for {names}"
    problems = {report.tag: report.problem for report in day.health if report.problem}
    tag = in_site[0].tag
    reason = problems.get(tag, "no usable value")
    more = f" (and {len(in_site) - 1} more like it)" if len(in_site) > 1 else ""
    return f"no usable {names} on this day: {tag}{more}: {reason}"
