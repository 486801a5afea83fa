"""What a case accounts for elsewhere: a finding that another explains is no job of its own.

How much cloth is not cleaned bounds the rise of residual DP that rows can account for: at the same
gas flow, with a share u of the cloth plugged altogether, DP rises by u / (1 - u), and cloth that
still passes gas raises it less (resistances in parallel; common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, timedelta

from rowcall.memory.places import quantity
from rowcall.model import Case, Explained, Explains, Family, Finding, State
from rowcall.units import percent

ENOUGH = 0.8  # [-] chosen: the rest of a rise lies within what days differ by
_LOST = {  # what a row's finding says of the cleaning that its bags still get, as a share
    "row_silent": "answered_share",
    "row_weak": "drop_ratio",
    "row_not_pulsed": "sent_share",
}
_HOUR = timedelta(hours=1)
_RISE = "rising_residual_dp"


def explain(
    cases: Sequence[Case], families: Mapping[str, Family], rows: Mapping[str, int]
) -> list[Case]:
    """Return the cases with what each accounts for, and by which of them each is accounted for.

    Args:
        cases: those of one day, closed ones left out.
        rows: of every baghouse, how many rows it has.
    """
    explained: dict[str, list[Explained]] = {}
    wholly: dict[tuple[str, str], list[str]] = {}  # by case and rule, the cases behind it
    for effect in (case for case in cases if _is_there(case)):
        for finding in effect.findings:
            behind = [
                *_by_header(effect, finding, cases, families),
                *_by_cloth(effect, finding, cases, families, rows),
            ]
            for case, one in behind:
                explained.setdefault(case.id, []).append(one)
            if behind and sum(one.share for _, one in behind) >= ENOUGH:
                wholly[effect.id, finding.rule] = [case.id for case, _ in behind]
    return [
        replace(
            case,
            explains=tuple(explained.get(case.id, ())),
            explained_by=_explained_by(case, wholly),
        )
        for case in cases
    ]


def _explained_by(case: Case, wholly: Mapping[tuple[str, str], list[str]]) -> tuple[str, ...]:
    """Return the cases behind a case, if all its findings are accounted for."""
    behind = [wholly.get((case.id, finding.rule)) for finding in case.findings]
    if not behind or any(one is None for one in behind):
        return ()
    return tuple(dict.fromkeys(id_ for one in behind if one for id_ in one))


def _is_there(case: Case) -> bool:
    return case.state is State.OPEN and not case.clear_days


def _others(effect: Case, cases: Sequence[Case]) -> Iterator[Case]:
    return (
        case
        for case in cases
        if case.id != effect.id
        and case.subject.baghouse == effect.subject.baghouse
        and _is_there(case)
    )


def _by_header(
    effect: Case, finding: Finding, cases: Sequence[Case], families: Mapping[str, Family]
) -> Iterator[tuple[Case, Explained]]:
    """Account for a finding by a case of its header or baghouse, found on the same day."""
    for case in _others(effect, cases):
        is_wider = case.family != effect.family and not case.subject.row
        places = {case.subject.compartment, effect.subject.compartment}
        is_same = is_wider and (0 in places or len(places) == 1)
        if (
            is_same
            and case.last_found == effect.last_found
            and any(_accounts(one, case, finding) for one in families[case.family].explains)
        ):
            yield case, Explained(finding, 1.0, f"{case.title} accounts for it")


def _accounts(one: Explains, case: Case, finding: Finding) -> bool:
    return (
        one.rule == finding.rule
        and not one.by_cloth
        and (not one.in_its_hours or _in_its_hours(case, finding))
        and (not one.by_same_rule or any(own.rule == one.rule for own in case.findings))
    )


def _in_its_hours(case: Case, finding: Finding) -> bool:
    """Return whether a finding lies in the hours of a case, which are counted whole."""
    start, end = finding.answer.start, finding.answer.end
    return any(
        own.start - _HOUR <= start and end <= own.end + _HOUR
        for own in (one.answer for one in case.findings)
        if start and end and own.start and own.end
    )


def _by_cloth(
    effect: Case,
    finding: Finding,
    cases: Sequence[Case],
    families: Mapping[str, Family],
    rows: Mapping[str, int],
) -> list[tuple[Case, Explained]]:
    """Account for a rise of residual DP by rows that were not cleaned when it began."""
    rise = rise_of(finding)
    if finding.rule != _RISE or math.isnan(rise):
        return []
    lost = [
        (case, lost_of(case) / rows[effect.subject.baghouse])
        for case in _others(effect, cases)
        if any(one.rule == _RISE and one.by_cloth for one in families[case.family].explains)
        and case.subject.row
        and _began_before(case, finding)
    ]
    uncleaned = sum(share for _, share in lost)
    if not 0 < uncleaned < 1:
        return []
    bound = uncleaned / (1 - uncleaned)
    accounted = min(1.0, bound / rise)
    text = (
        f"rows that are not fully cleaned take {percent(uncleaned)} of the cloth out of cleaning, "
        f"which accounts for at most {percent(bound)} of a rise of {percent(rise)}"
    )
    return [
        (case, Explained(finding, accounted * share / uncleaned, text))
        for case, share in lost
        if share > 0
    ]


def rise_of(finding: Finding) -> float:
    """Return by how much residual DP rose, as a share of before; nan where it is not known."""
    rise = quantity(finding, "rise")
    return math.nan if rise is None or rise <= 0 else rise


def lost_of(case: Case) -> float:
    """Return the share of a row's cleaning that is lost, 0 to 1."""
    kept = [
        value
        for finding in case.findings
        if (name := _LOST.get(finding.rule)) and (value := quantity(finding, name)) is not None
    ]
    return min(1.0, max(0.0, 1 - min(kept))) if kept else 0.0


def _began_before(case: Case, finding: Finding) -> bool:
    """Return whether a row was at fault when a step came; behind a slow rise any may be."""
    if quantity(finding, "step_rise") is None or finding.answer.start is None:
        return True
    step: date = finding.answer.start.astimezone(UTC).date()
    return case.opened <= step + timedelta(days=2)  # of grace: its first full day, and UTC
