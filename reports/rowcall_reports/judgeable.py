"""What would make it judgeable: changes of exports, tags and settings, and what each would buy."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from rowcall.model import BaghouseDay, Chapter, Finding, Lack, Rule, Subject
from rowcall.site import Baghouse, Role, Sample, Site
from rowcall_reports import wording
from rowcall_reports.actions import title_of
from rowcall_reports.chapters.odds import read_odds

Steps = Mapping[tuple[str, int], float]

_FINE_S = 1.0  # chosen: the sampling that is worth asking a historian for
# Chosen: the middle of the trials, rows pulsed every few minutes by a quiet transmitter.
_PULSES, _NOISE = 200, 0.002

# What to change, with `{}` for what it is of; empty where no record would show more.
CHANGES: Mapping[Lack, str] = {
    Lack.NOTHING: "",
    Lack.OTHER_TAG: "",
    Lack.TAG: "Export a tag of {} and name it in the site file.",
    Lack.USABLE_TAG: "Repair {} or its export.",
    Lack.STEP: "Export {}.",
    Lack.COVERAGE: "Close the gaps in the export of {}.",
    Lack.ROW_SIGNAL: "Record the solenoid bits by change instead of scanned at intervals, or the "
    "number of the last row pulsed.",
    Lack.FINE_PRESSURE: "Record header pressure once a second, every value, without thinning.",
    Lack.PHASES: "Record header pressure once a second: now its samples meet each pulse at the "
    "same moment.",
    Lack.EVERY_SAMPLE: "Record header pressure without lost points: no thinning, no gaps at the "
    "collector.",
    Lack.MEDIA: "State the media of the bags in the site file (`media`).",
    Lack.SITE_KEY: "State {} in the site file.",
    Lack.SUPPLY: "Export a tag of supply pressure, measured ahead of the headers.",
    Lack.SENSOR: "Check and mend {}.",
    Lack.HISTORY: "Export older days as well, or wait: the history is still too short.",
}
_FINER = (Lack.FINE_PRESSURE, Lack.PHASES)  # no change where pressure is recorded at `_FINE_S`


@dataclass(frozen=True, slots=True)
class Advice:
    """One change, and what it would buy.

    Attributes:
        row_days: how many verdicts on a row, header or baghouse and a day were lacking for it.
        buys: in words with numbers.
    """

    do: str
    row_days: int
    buys: str


def judgeable(
    findings: Iterable[Finding], site: Site, rules: Sequence[Rule], steps: Steps | None = None
) -> tuple[Advice, ...]:
    """Return the changes that would turn most verdicts `cannot tell` into others, best first.

    Args:
        findings: of one day or more; those that lack nothing are left out.
        steps: time between points of header pressure by baghouse and compartment [s], 0 a shared
            header, where it is known; what is recorded once a second needs no finer record. Of
            the day of a report `pressure_steps(report.baghouses)`.
    """
    houses = {house.id: house for house in site.baghouse}
    known, lacking = steps or {}, dict[tuple[Lack, str], list[Finding]]()
    for finding in findings:
        answer, house = finding.answer, houses.get(finding.answer.subject.baghouse)
        if answer.lack is None or house is None or not CHANGES[answer.lack]:
            continue
        if answer.lack not in _FINER or not _is_fine(house, answer.subject.compartment, known):
            lacking.setdefault((answer.lack, answer.lack_of), []).append(finding)
    advice = [_advice(*key, found, houses, rules, known) for key, found in lacking.items()]
    return tuple(sorted(advice, key=lambda one: (-one.row_days, one.do)))


def pressure_steps(days: Iterable[BaghouseDay]) -> Steps:
    """Return the time between points of header pressure, as `judgeable` takes it."""
    return {
        (day.baghouse.id, tag.compartment): tag.step_s
        for day in days
        for tag in day.health
        if tag.role is Role.HEADER_PRESSURE and math.isfinite(tag.step_s)
    }


def _is_fine(house: Baghouse, compartment: int, steps: Steps) -> bool:
    is_thinned = any(
        tag.sample is Sample.THINNED and tag.compartment in (None, compartment)
        for tag in house.tag
        if tag.role is Role.HEADER_PRESSURE
    )
    step_s = _step_of(house.id, compartment, steps)
    return not is_thinned and step_s is not None and step_s <= _FINE_S


def _step_of(house: str, compartment: int, steps: Steps) -> float | None:
    return steps.get((house, compartment), steps.get((house, 0)))


def _advice(
    lack: Lack,
    of: str,
    found: Sequence[Finding],
    houses: Mapping[str, Baghouse],
    rules: Sequence[Rule],
    steps: Steps,
) -> Advice:
    by_rule = wording.grouped(found, lambda one: one.rule)
    counted = [_counted(group, houses, rules) for group in by_rule]
    ranked = sorted(counted, key=lambda one: (-one[0], one[1]))
    buys = f"Becomes judgeable: {'; '.join(text for _, text in ranked)}"
    if lack in _FINER:
        buys += _reach(found, rules, steps)
    return Advice(CHANGES[lack].format(of), sum(n for n, _ in ranked), f"{buys}.")


def _counted(
    found: Sequence[Finding], houses: Mapping[str, Baghouse], rules: Sequence[Rule]
) -> tuple[int, str]:
    """Return of one rule how many verdicts were lacking, and in words at what."""
    name = found[0].rule
    is_of_rows = any(rule.name == name and rule.chapter is Chapter.ROWS for rule in rules)
    places = {one.answer.subject for one in found}
    sizes = {place: _size(place, houses[place.baghouse], of_rows=is_of_rows) for place in places}
    n_days = sum(sizes[one.answer.subject] for one in found)
    if is_of_rows or any(place.row for place in places):
        where, days = wording.count(_rows(places, houses), "row"), "row-day"
    else:
        is_header = any(place.compartment for place in places)
        where, days = wording.count(len(places), "header" if is_header else "baghouse"), "day"
    if len({one.day for one in found}) > 1:
        where += f", {wording.count(n_days, days)}"
    return n_days, f"{wording.escape(title_of(rules, name))} ({where})"


def _size(place: Subject, house: Baghouse, *, of_rows: bool) -> int:
    """Return how many rows an answer stands for."""
    if place.row or not of_rows:
        return 1
    return house.rows[place.compartment - 1] if place.compartment else sum(house.rows)


def _rows(places: Iterable[Subject], houses: Mapping[str, Baghouse]) -> int:
    """Return how many rows there are at places."""
    rows = {
        (place.baghouse, compartment, row)
        for place in places
        for compartment, row in houses[place.baghouse].all_rows()
        if place.compartment in (0, compartment) and place.row in (0, row)
    }
    return len(rows)


def _reach(found: Sequence[Finding], rules: Sequence[Rule], steps: Steps) -> str:
    """Say what trials found at the present sampling and at a finer one, where they say it."""
    subject, odds = found[0].answer.subject, read_odds()
    step_s = _step_of(subject.baghouse, subject.compartment, steps)
    if step_s is None:
        return ""
    now, fine = (odds.near(one, _PULSES, _NOISE) for one in (step_s, _FINE_S))
    asked = sorted({one.rule for one in found} & set(fine.found))
    shares = ", ".join(
        f"{title_of(rules, name)} {now.found[name]} and {fine.found[name]}"
        for name in asked
        if fine.found[name] > now.found[name]
    )
    if not shares:
        return ""
    return (
        f". Of {odds.headers} planted faults, trials with {_PULSES} pulses a row and day found at "
        f"{now.step_s:g} s and at {fine.step_s:g} s: {shares}"
    )
