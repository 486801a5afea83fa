"""Limits of the data: checks that could not be judged, tags with problems, clocks apart."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping, Sequence

from rowcall.model import BaghouseDay, Fact, FactBook, Finding, TagHealth
from rowcall.site import ROLES, Sample
from rowcall_reports import actions, wording
from rowcall_reports.chapters import odds
from rowcall_reports.prepared import PreparedDay
from rowcall_reports.row_marks import Place

_LEAD = "Cannot tell: "  # as `Answer.cannot_tell` begins; the column's head says it already
_OF_FIRST = " (Numbers of the first; the others alike.)"
_WHOLE_DAY = 0.99  # chosen: a quarter of an hour missing is worth a line
_HEALTH_HEAD = (
    "Tags",
    "Usable",
    "Points",
    "Bad",
    "Out of range",
    "Sampled every",
    "Lowest coverage",
)
_STEPS_APART = 2.0  # chosen: what is seen of a pulse changes with each doubling of the step
_ON_CHANGE = "on change"  # instead of a time between points
_SAME_S = 0.1  # what the text is rounded to
_MIN_SHIFT_S = 0.5  # chosen: half of the finest usual historian step of 1 s


def write_unjudged(baghouse: PreparedDay) -> str:
    """Return every check that could not be judged, alike ones on one line."""
    if not baghouse.unjudged:
        return ""
    groups = wording.grouped(
        baghouse.unjudged, lambda found: (found.rule, wording.without_numbers(found.answer.text))
    )
    lines = [_unjudged_line(baghouse, group) for group in groups]
    table = wording.table(["Check", "Where", "Why it could not be judged"], lines)
    faults = {rule.name: rule.trial_fault for rule in baghouse.rules if rule.trial_fault}
    quoted = odds.quote(baghouse.day, baghouse.facts, _unknown_rows(baghouse), faults)
    return "\n\n".join(part for part in (table, quoted) if part)


def _unknown_rows(baghouse: PreparedDay) -> Mapping[str, Sequence[Place]]:
    """Return by rule the rows that it could not judge; what is found of a row explains the rest."""
    rows: dict[str, set[Place]] = {}
    for found in baghouse.unjudged:
        place = (found.answer.subject.compartment, found.answer.subject.row)
        if place not in baghouse.found_rows:
            rows.setdefault(found.rule, set()).add(place)
    return {rule: sorted(places) for rule, places in rows.items()}


def _unjudged_line(baghouse: PreparedDay, group: Sequence[Finding]) -> Sequence[str]:
    why = wording.escape(group[0].answer.text.removeprefix(_LEAD))
    why += _OF_FIRST if len({found.answer.text for found in group}) > 1 else ""
    where = actions.places_of([found.answer.subject for found in group])
    return [wording.escape(actions.title_of(baghouse.rules, group[0].rule)), where, why]


def write_health(day: BaghouseDay) -> str:
    """Return which tags had no data faults, and in tables those that had."""
    if not day.health:
        return "No tag of this baghouse brought data."
    roles = wording.grouped(day.health, lambda tag: tag.role)
    sound = [tags for tags in roles if all(map(_is_sound, tags))]
    on_change = {tag.tag for tag in day.baghouse.tag if tag.sample is Sample.ON_CHANGE}
    parts = []
    if sound:
        parts.append(_sound(sound, on_change))
    flawed = [_role_line(tags, on_change) for tags in roles if tags not in sound]
    if flawed:
        parts.append(wording.table(_HEALTH_HEAD, flawed, right=range(1, len(_HEALTH_HEAD))))
    troubled = wording.grouped(
        ((tag, text) for tag in day.health for text in (tag.problem, tag.note) if text),
        lambda said: (said[0].role, wording.without_numbers(said[1])),
    )
    if troubled:
        parts.append(wording.table(["Tag", "Problem"], map(_trouble_line, troubled)))
    return "\n\n".join([*parts, *_clocks(day)])


def _is_sound(tag: TagHealth) -> bool:
    flaws = tag.problem or tag.n_bad or tag.n_out_of_range
    return not flaws and tag.coverage_frac >= _WHOLE_DAY


def _sound(roles: Iterable[Sequence[TagHealth]], on_change: Collection[str]) -> str:
    """Return the roles without a flaw, by how often their tags are sampled."""
    by_step: dict[str, list[str]] = {}
    for tags in roles:
        name, pace = ROLES[tags[0].role].name, _pace(tags, on_change)
        if pace != _ON_CHANGE:
            pace = f"every {pace}" if pace else "once"
        named = f"{len(tags)} tags of {name}" if len(tags) > 1 else name
        by_step.setdefault(f"sampled {pace}", []).append(named)
    parts = [f"{', '.join(names)} ({pace})" for pace, names in by_step.items()]
    return f"No data faults: {'; '.join(parts)}."


def _pace(tags: Sequence[TagHealth], on_change: Collection[str]) -> str:
    """Return the tags' time between points: the median, or a range where they differ."""
    if all(tag.tag in on_change for tag in tags):
        return _ON_CHANGE
    steps = sorted(tag.step_s for tag in tags if math.isfinite(tag.step_s))
    if not steps:
        return ""
    if steps[-1] > _STEPS_APART * steps[0]:
        return f"{wording.duration(steps[0])} to {wording.duration(steps[-1])}"
    return wording.duration(steps[len(steps) // 2])


def _role_line(tags: Sequence[TagHealth], on_change: Collection[str]) -> Sequence[str]:
    usable = [tag for tag in tags if not tag.problem]
    coverage = min(tag.coverage_frac for tag in tags)
    return [
        ROLES[tags[0].role].name,
        f"{len(usable)} of {len(tags)}",
        f"{sum(tag.n_points for tag in tags):,}",
        f"{sum(tag.n_bad for tag in tags):,}",
        f"{sum(tag.n_out_of_range for tag in tags):,}",
        _pace(tags, on_change) or wording.NO_VALUE,
        wording.percent(coverage) if math.isfinite(coverage) else wording.NO_VALUE,
    ]


def _trouble_line(group: Sequence[tuple[TagHealth, str]]) -> Sequence[str]:
    (first, text), last, more = group[0], group[-1][0], len(group) - 1
    name = wording.escape(first.tag)
    if more == 1:
        name += f" and {wording.escape(last.tag)}"
    elif more:
        name += f" and {more} more up to {wording.escape(last.tag)}"
    problem = wording.escape(text)
    problem += _OF_FIRST if len({one for _, one in group}) > 1 else ""
    return [name, problem]


def _clocks(day: BaghouseDay) -> list[str]:
    """Say where pulses and header pressure carry time stamps that lie apart."""
    facts = FactBook(day.facts)
    compartments = range(day.baghouse.compartments + 1)
    parts = [part for number in compartments if (part := _shift(facts, number))]
    if not parts:
        return []
    return [
        "The clocks of pulse signals and header pressure differ; to match, pulses were shifted "
        f"by: {', '.join(parts)}."
    ]


def _shift(facts: FactBook, compartment: int) -> str:
    """Say by how much the pulses of a compartment were shifted, '' where that hardly matters."""

    def of(fact: Fact, otherwise: float) -> float:
        return facts.get((fact, compartment, 0), otherwise)

    usual = of(Fact.CLOCK_OFFSET_S, 0.0)
    low, high = of(Fact.CLOCK_OFFSET_MIN_S, usual), of(Fact.CLOCK_OFFSET_MAX_S, usual)
    if max(abs(low), abs(high)) < _MIN_SHIFT_S:
        return ""
    place = f"compartment {compartment}" if compartment else "all compartments"
    if high - low < _MIN_SHIFT_S:
        return f"{place} {usual:+.1f} s"
    start, end = of(Fact.CLOCK_OFFSET_START_S, usual), of(Fact.CLOCK_OFFSET_END_S, usual)
    ends = f"{place} {start:+.1f} s at the beginning of the day and {end:+.1f} s at its end"
    beyond = min(start, end) - low > _SAME_S or high - max(start, end) > _SAME_S
    return f"{ends} (between {low:+.1f} and {high:+.1f} s)" if beyond else ends
