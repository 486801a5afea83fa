"""What the data could not tell: unjudged checks, tags with problems, clocks apart."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from rowcall.day_report import DayReport
from rowcall.model import BaghouseDay, Finding, TagHealth, Verdict
from rowcall.site import Role
from rowcall_reports import actions, fact_lookup, wording
from rowcall_reports.chapters import odds, roll_call

_LEAD = "Cannot tell: "  # as `Answer.cannot_tell` begins; the column's head says it already
_WHOLE_DAY = 0.99  # chosen: a quarter of an hour missing is worth a line
_HEALTH_HEAD = (
    "Tags",
    "Usable",
    "Points",
    "Bad",
    "Out of range",
    "A point every",
    "Least coverage",
)
_STEPS_APART = 2.0  # chosen: what is heard of a pulse changes with each doubling of the step
_SAME_S = 0.1  # what the text is rounded to
_CLOCK_WORTH_SAYING_S = 0.5  # chosen: half of the finest usual historian step of 1 s


def write_untold(report: DayReport, day: BaghouseDay) -> str:
    """Return every check that could not be judged, alike ones drawn into one line."""
    groups: dict[tuple[str, str], list[Finding]] = {}
    for found in actions.of(report, day.baghouse.id, Verdict.CANNOT_TELL):
        key = (found.rule, wording.without_numbers(found.answer.text))
        groups.setdefault(key, []).append(found)
    lines = [_untold_line(report, group) for group in groups.values()]
    if not lines:
        return ""
    table = wording.table(["Check", "Where", "Why it could not be judged"], lines)
    quoted = odds.quote(day, _unknown_rows(report, day, groups))
    return "\n\n".join(part for part in (table, quoted) if part)


def _unknown_rows(
    report: DayReport, day: BaghouseDay, groups: Mapping[tuple[str, str], Sequence[Finding]]
) -> Mapping[str, list[tuple[int, int]]]:
    """Return by rule the rows that it could not judge; what is found of a row explains the rest."""
    faulty = {
        place for place, mark in roll_call.marks(day, report.findings).items() if mark.isupper()
    }
    rows: dict[str, list[tuple[int, int]]] = {}
    for (rule, _), group in groups.items():
        places = {(one.answer.subject.compartment, one.answer.subject.row) for one in group}
        rows.setdefault(rule, []).extend(sorted(places - faulty))
    return rows


def _untold_line(report: DayReport, group: Sequence[Finding]) -> Sequence[str]:
    told = wording.escape(group[0].answer.text.removeprefix(_LEAD))
    if len({found.answer.text for found in group}) > 1:
        told += " (Numbers of the first; the others alike.)"
    where = actions.places_of([found.answer.subject for found in group])
    return [wording.escape(actions.title_of(report.rules, group[0].rule)), where, told]


def write_health(day: BaghouseDay) -> str:
    """Return which tags served well, and in tables those that did not."""
    if not day.health:
        return "No tag of this baghouse brought data."
    roles: dict[str, list[TagHealth]] = {}
    for tag in day.health:
        roles.setdefault(tag.role.value, []).append(tag)
    sound = {role: tags for role, tags in roles.items() if all(map(_is_sound, tags))}
    parts = []
    if sound:
        parts.append(_sound(sound))
    flawed = [_role_line(role, tags) for role, tags in roles.items() if role not in sound]
    if flawed:
        parts.append(wording.table(_HEALTH_HEAD, flawed, right=range(1, len(_HEALTH_HEAD))))
    troubled = _troubled(day.health)
    if troubled:
        parts.append(wording.table(["Tag", "Problem"], troubled))
    return "\n\n".join([*parts, *_clocks(day)])


def _is_sound(tag: TagHealth) -> bool:
    flaws = tag.problem or tag.n_bad or tag.n_out_of_range
    return not flaws and tag.coverage_frac >= _WHOLE_DAY


def _sound(roles: Mapping[str, Sequence[TagHealth]]) -> str:
    """Return the roles without a flaw, by how often their tags bring a point."""
    by_step: dict[str, list[str]] = {}
    for role, tags in roles.items():
        pace = _pace(tags)
        pace = f"a point every {pace}" if pace else "a single point"
        name = f"{len(tags)} tags of {_words(role)}" if len(tags) > 1 else _words(role)
        by_step.setdefault(pace, []).append(name)
    told = [f"{', '.join(names)} ({pace})" for pace, names in by_step.items()]
    return f"Good all day: {'; '.join(told)}."


def _words(role: str) -> str:
    return "DP" if role == Role.DP else role.replace("_", " ")


def _pace(tags: Sequence[TagHealth]) -> str:
    """Return the tags' time between points: the middle one, or from least to most where apart."""
    steps = sorted(tag.step_s for tag in tags if math.isfinite(tag.step_s))
    if not steps:
        return ""
    if steps[-1] > _STEPS_APART * steps[0]:
        return f"{wording.duration(steps[0])} to {wording.duration(steps[-1])}"
    return wording.duration(steps[len(steps) // 2])


def _role_line(role: str, tags: Sequence[TagHealth]) -> Sequence[str]:
    usable = [tag for tag in tags if not tag.problem]
    coverage = min(tag.coverage_frac for tag in tags)
    return [
        _words(role),
        f"{len(usable)} of {len(tags)}",
        str(sum(tag.n_points for tag in tags)),
        str(sum(tag.n_bad for tag in tags)),
        str(sum(tag.n_out_of_range for tag in tags)),
        _pace(tags) or wording.NO_VALUE,
        wording.percent(coverage) if math.isfinite(coverage) else wording.NO_VALUE,
    ]


def _troubled(health: Iterable[TagHealth]) -> list[Sequence[str]]:
    groups: dict[tuple[str, str], list[TagHealth]] = {}
    for tag in health:
        if tag.problem:
            groups.setdefault((tag.role, wording.without_numbers(tag.problem)), []).append(tag)
    return [_trouble_line(group) for group in groups.values()]


def _trouble_line(group: Sequence[TagHealth]) -> Sequence[str]:
    first, more = group[0], len(group) - 1
    name = wording.escape(first.tag)
    if more == 1:
        name += f" and {wording.escape(group[-1].tag)}"
    elif more:
        name += f" and {more} more up to {wording.escape(group[-1].tag)}"
    problem = wording.escape(first.problem)
    if len({tag.problem for tag in group}) > 1:
        problem += " (Numbers of the first; the others alike.)"
    return [name, problem]


def _clocks(day: BaghouseDay) -> list[str]:
    """Say where row calls and header pressure carry time stamps that lie apart."""
    known = {
        (compartment, name): value
        for (name, compartment, _row), value in fact_lookup.today(day).items()
        if name.startswith("clock_offset_")
    }
    compartments = sorted({compartment for compartment, _name in known})
    parts = [part for number in compartments if (part := _moved_by(known, number))]
    if not parts:
        return []
    return [
        "The clocks of row calls and header pressure lie apart; to match, the calls were moved by: "
        + ", ".join(parts)
        + "."
    ]


def _moved_by(known: Mapping[tuple[int, str], float], compartment: int) -> str:
    """Say by how much the calls of a compartment were moved, '' where that hardly matters."""

    def of(name: str, other: float) -> float:
        return known.get((compartment, f"clock_offset_{name}"), other)

    usual = of("s", 0.0)
    least, most = of("least_s", usual), of("most_s", usual)
    if max(abs(least), abs(most)) < _CLOCK_WORTH_SAYING_S:
        return ""
    place = f"compartment {compartment}" if compartment else "all compartments"
    if most - least < _CLOCK_WORTH_SAYING_S:
        return f"{place} {usual:+.1f} s"
    start, end = of("start_s", usual), of("end_s", usual)
    ends = f"{place} {start:+.1f} s at the beginning of the day and {end:+.1f} s at its end"
    beyond = min(start, end) - least > _SAME_S or most - max(start, end) > _SAME_S
    return f"{ends} (between {least:+.1f} and {most:+.1f} s)" if beyond else ends
