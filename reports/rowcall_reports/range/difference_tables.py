"""The differences of a range in words: findings by rule and place, other verdicts by rule."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date

from rowcall.model import Rule
from rowcall_reports import wording
from rowcall_reports.actions import places_of, title_of
from rowcall_reports.range.differences import Difference, Turn, differences
from rowcall_reports.range.range_days import OtherRun, RangeDays, Said

_MAX_LINES = 60  # of a table; chosen: two pages, what is beyond is counted


def write_differences(ranged: RangeDays, other: OtherRun) -> Iterator[str]:
    """Yield what differs from another run, findings first."""
    n_both = len(ranged.days.keys() & other.days.keys())
    if not n_both:
        yield wording.escape(f"{other.name[0].upper()}{other.name[1:]} holds none of these days.")
        return
    found = differences(ranged.days, other.days, ranged.rules)
    yield _counted(found, n_both)
    for turn in Turn:
        if of_turn := [one for one in found if one.turn is turn]:
            yield f"### {turn.value}"
            write = _other_verdicts if turn is Turn.UNFOUND else _findings
            yield write(of_turn, ranged.rules)


def _counted(found: Sequence[Difference], n_days: int) -> str:
    turns = Counter(one.turn for one in found)
    of_both = f"Both hold {wording.count(n_days, 'day')}"
    if not found:
        return f"{of_both}; no verdict differs."
    parts = (f"{turn.value.lower()}: {turns[turn]:,}" for turn in Turn if turns[turn])
    return f"{of_both}. Verdicts that differ, each of one place and day: {'; '.join(parts)}."


def _findings(found: Sequence[Difference], rules: Sequence[Rule]) -> str:
    """Return a line for each rule, verdicts, days and reason; places of the same are together."""
    of_place = wording.grouped(
        found, lambda one: (one.rule, one.subject, one.before, one.now, one.why)
    )
    alike = wording.grouped(of_place, lambda same: (*_key(same[0]), tuple(one.day for one in same)))
    lines = [
        [
            wording.escape(title_of(rules, group[0][0].rule)),
            _where([same[0] for same in group]),
            _days([one.day for one in group[0]]),
            *_then_and_now(group[0][0]),
        ]
        for group in alike
    ]
    table = wording.table(
        ["Check", "Where", "Days", "There", "Here", "May come from"], lines[:_MAX_LINES]
    )
    n_more = len(lines) - _MAX_LINES
    return f"{table}\n\n{wording.count(n_more, 'more line')} left out." if n_more > 0 else table


def _key(one: Difference) -> tuple[object, ...]:
    return one.rule, one.subject.baghouse, one.subject.is_place, one.before, one.now, one.why


def _where(alike: Sequence[Difference]) -> str:
    house = alike[0].subject.baghouse
    return wording.escape(f"{house}, {places_of([one.subject for one in alike])}")


def _other_verdicts(found: Sequence[Difference], rules: Sequence[Rule]) -> str:
    groups = wording.grouped(found, lambda one: (one.rule, one.before, one.now, one.why))
    lines = [
        [wording.escape(title_of(rules, same[0].rule)), f"{len(same):,}", *_then_and_now(same[0])]
        for same in groups
    ]
    head = ["Check", "Places and days", "There", "Here", "May come from"]
    return wording.table(head, lines[:_MAX_LINES], right=(1,))


def _then_and_now(one: Difference) -> tuple[str, str, str]:
    return _said(one.before), _said(one.now), wording.escape("; ".join(one.why))


def _said(said: Said | None) -> str:
    if said is None:
        return "not judged"
    verdict, urgency = said
    return f"{verdict.value}, {urgency.value}" if urgency else verdict.value


def _days(days: Sequence[date]) -> str:
    """Return rising days with runs joined."""
    runs: list[list[date]] = []
    for day in days:
        if runs and (day - runs[-1][-1]).days == 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    return ", ".join(
        run[0].isoformat() if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs
    )
