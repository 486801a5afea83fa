"""The life of the cases at one place: opened, worse, better, quiet, mended, closed, back again.

The words for what stands and what chatters follow ISA-18.2 (value from memory): a case that is
found and clear in turn is said once to come and go, and not every time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import Enum, auto
from functools import partial
from statistics import median

from rowcall.days import days_from
from rowcall.memory.measures import (
    SILENT_SHARE,
    Course,
    course_of,
    error_of,
    level_of,
    turn,
    usual_of,
    value_of,
    words_of,
)
from rowcall.memory.places import Answers, Place
from rowcall.model import (
    PRESSING,
    Case,
    Check,
    Event,
    Finding,
    News,
    Repair,
    State,
    Verdict,
    Work,
    WorkLog,
)
from rowcall.units import Units, percent

# All chosen.
_QUIET_DAYS = 2  # clear days until it is said: one can be chance
_CLOSE_DAYS = 7  # clear days: a week holds every shift and a weekend
_BACK_DAYS = 30  # found again within these, it is the old case
_LEVEL_DAYS = 3  # found ones whose medians are the level of the fault, and what was usual
_CHATTER_DAYS, _CHATTER_TURNS = 14, 3  # so many returns in a fortnight

Bounds = Callable[[date], tuple[datetime, datetime]]


class _Seen(Enum):
    """What a day says of a place."""

    FOUND = auto()
    CLEAR = auto()
    UNKNOWN = auto()
    STAYED = auto()  # not found only because a repair has begun its rule's history anew


@dataclass(slots=True)
class _Life:
    """One case while its days are gone through."""

    place: Place
    units: Units
    opened: date
    last_found: date
    findings: list[Finding] = field(default_factory=list)
    state: State = State.OPEN
    closed: date | None = None
    clear: int = 0
    unknown: int = 0
    rules: set[str] = field(default_factory=set)
    worst: int = len(PRESSING)
    reference: dict[str, tuple[float, float]] = field(default_factory=dict)  # with its error
    series: dict[str, list[float]] = field(default_factory=dict)
    levels: dict[str, list[tuple[float, float]]] = field(default_factory=dict)  # fault's, usual
    repairs: list[Repair] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    returns: list[date] = field(default_factory=list)
    chatters: bool = False

    def numbers(self, found: Iterable[Finding]) -> str:
        answers = {one.rule: one for one in found}
        return words_of(self.place.members.values(), answers, self.units)

    def say(self, day: date, news: News, text: str = "") -> None:
        self.events.append(Event(day, news, text))


def lives(place: Place, work: WorkLog, until: date, bounds: Bounds, units: Units) -> list[Case]:
    """Return every case of a place as of the end of a day, the closed ones too, oldest first.

    Args:
        bounds: instants at which a plant-local day begins and ends.
    """
    found = place.found
    work = WorkLog(tuple(entry for entry in work if entry.touches(place.subject)))
    past: list[_Life] = []
    for day in days_from(min(found), until) if found and min(found) <= until else ():
        life = past[-1] if past else None
        if day not in found and (life is None or life.state is State.CLOSED):
            continue  # nothing becomes of it
        is_off = work.off(place.subject, *bounds(day)) is not None
        today = found.get(day, [])
        answers = {} if today or is_off else place.on(day)
        if today and not is_off and (life is None or _is_over(life, day)):
            past.append(_open(place, day, today, units))
        elif life is not None:
            seen = _Seen.FOUND if today else _seen(answers, life)
            _go_on(life, work, day, _Seen.UNKNOWN if is_off else seen, answers, today)
    return [_case(life, until) for life in past]


def _seen(answers: Answers, life: _Life) -> _Seen:
    """Return what a day without findings says: clear only where every rule that had one does."""
    seen = {_seen_by(life, one.rule, answers) for one in life.findings}
    if seen == {_Seen.CLEAR}:
        return _Seen.CLEAR
    return _Seen.STAYED if _Seen.STAYED in seen else _Seen.UNKNOWN


def _seen_by(life: _Life, rule: str, answers: Answers) -> _Seen:
    """Return what a rule says that finds nothing; after a repair by the level before it too."""
    finding = answers.get(rule)
    if finding is None:
        return _Seen.UNKNOWN
    course = _course(life, finding)
    if course is Course.BACK:
        return _Seen.CLEAR
    if course is Course.STAYED:
        return _Seen.STAYED
    if course is Course.BETWEEN and usual_of(life.place.members[rule].measure, finding) is None:
        return _Seen.UNKNOWN
    return _Seen.CLEAR if finding.answer.verdict is Verdict.CLEAR else _Seen.UNKNOWN


def _course(life: _Life, finding: Finding) -> Course | None:
    """Return where its level stands after a repair; None without one, or where it is not known.

    A set point that was changed makes it another level.
    """
    known = life.levels.get(finding.rule) if life.repairs else None
    level = level_of(life.place.members[finding.rule].measure, finding) if known else None
    if not known or level is None:
        return None
    if any(repair.entry.work is Work.SET_POINT_CHANGED for repair in life.repairs):
        return None
    faulty, usual = (median(ends) for ends in zip(*known[-_LEVEL_DAYS:], strict=True))
    return course_of(level, usual, faulty)


def _is_over(life: _Life, day: date) -> bool:
    return life.closed is not None and day > life.closed + timedelta(days=_BACK_DAYS)


def _open(place: Place, day: date, found: Sequence[Finding], units: Units) -> _Life:
    life = _Life(place, units, day, day)
    life.say(day, News.OPENED, life.numbers(found))
    _keep(life, day, found)
    life.worst = _urgency_rank(life.findings)
    life.rules = {finding.rule for finding in life.findings}
    return life


def _keep(life: _Life, day: date, found: Sequence[Finding]) -> None:
    """Keep what was found, with its numbers."""
    life.last_found, life.findings = day, list(found)
    life.clear = life.unknown = 0
    is_mixed = any(repair.entry.day == day for repair in life.repairs)
    for finding in life.findings:
        measure = life.place.members[finding.rule].measure
        level, usual = level_of(measure, finding), usual_of(measure, finding)
        if level is not None and usual is not None and not is_mixed:
            life.levels.setdefault(finding.rule, []).append((level, usual))
        value = value_of(measure, finding)
        if value is not None:
            life.series.setdefault(finding.rule, []).append(value)
            life.reference.setdefault(finding.rule, (value, error_of(measure, finding)))


def _urgency_rank(findings: list[Finding]) -> int:
    return min(PRESSING.index(finding.answer.urgency) for finding in findings)


def _go_on(
    life: _Life, work: WorkLog, day: date, seen: _Seen, answers: Answers, found: Sequence[Finding]
) -> None:
    """Let a case live through one more day."""
    _enter_repairs(life, work, day)
    if seen is _Seen.STAYED and life.state is not State.CLOSED:
        _contradict(life, day, partial(_health, life, answers))
    if seen in (_Seen.UNKNOWN, _Seen.STAYED):
        life.unknown += life.state is not State.CLOSED
    elif seen is _Seen.FOUND:
        _found_again(life, day, found)
    elif life.state is not State.CLOSED:
        _clear(life, day, answers)


def _enter_repairs(life: _Life, work: WorkLog, day: date) -> None:
    if life.state is State.CLOSED:
        return
    life.repairs += [
        Repair(entry, Check.WAITING)
        for entry in work.of(*life.place.family.mended_by)
        if entry.day == day
    ]


def _found_again(life: _Life, day: date, found: Sequence[Finding]) -> None:
    was_away = life.clear > 0 or life.state is not State.OPEN
    was_quiet = life.state is not State.OPEN
    text = partial(life.numbers, found)
    _contradict(life, day, text)
    if was_away:
        life.returns = [one for one in life.returns if (day - one).days < _CHATTER_DAYS] + [day]
    if was_quiet and not life.chatters:
        life.say(day, News.BACK, text())
    life.state, life.closed = State.OPEN, None
    if not life.chatters and len(life.returns) >= _CHATTER_TURNS:
        life.chatters = True
        life.say(day, News.CHATTERS, text())
    _keep(life, day, found)
    if all(repair.entry.day != day for repair in life.repairs):  # such a day mixes before and after
        _turns(life, day, text)


def _contradict(life: _Life, day: date, text: Callable[[], str]) -> None:
    """Say of repairs of the days before that they did not help, where they were of all of it."""
    for n, repair in enumerate(life.repairs):
        entry = repair.entry
        is_new = repair.check is Check.WAITING and entry.day < day
        if is_new and entry.covers(life.place.subject):
            words = f"{entry.work.value} on {entry.day.isoformat()}, but still: {text()}"
            life.repairs[n] = Repair(entry, Check.CONTRADICTED, day, words)
            life.say(day, News.CONTRADICTED, words)


def _turns(life: _Life, day: date, text: Callable[[], str]) -> None:
    """Say that the case is worse or better: by a rule that finds more, by urgency, or by number."""
    rank, rules = _urgency_rank(life.findings), {finding.rule for finding in life.findings}
    is_worse = rank < life.worst or bool(rules - life.rules)
    urgency = PRESSING[rank] if rank < life.worst else None
    changes = [_turn(life, finding) for finding in life.findings]
    life.worst, life.rules = min(rank, life.worst), life.rules | rules
    if is_worse or 1 in changes:
        life.say(day, News.WORSE, text() + (f", now urgent: {urgency.value}" if urgency else ""))
    elif -1 in changes:
        life.say(day, News.BETTER, text())


def _turn(life: _Life, finding: Finding) -> int:
    measure = life.place.members[finding.rule].measure
    value = value_of(measure, finding)
    if measure is None or value is None:
        return 0
    error = error_of(measure, finding)
    reference, reference_error = life.reference[finding.rule]
    past = life.series[finding.rule][:-1]  # the last one is today's
    change = turn(measure, reference, value, max(error, reference_error), past)
    if change:
        life.reference[finding.rule] = value, error
    return change


def _clear(life: _Life, day: date, answers: Answers) -> None:
    life.clear += 1
    life.unknown = 0
    text = partial(_health, life, answers)
    if life.clear >= (_QUIET_DAYS if _comes_and_goes(life) else 1) and _verify(life, day, text):
        _close(life, day)
        return
    if life.state is State.OPEN and life.clear >= _QUIET_DAYS:
        life.state = State.QUIET
        if not life.chatters:
            life.say(day, News.QUIET, text())
    if life.clear >= _CLOSE_DAYS:
        _close(life, day)
        life.say(day, News.CLOSED, text())


def _close(life: _Life, day: date) -> None:
    """Close a case; should it come back, that is news again."""
    life.state, life.closed, life.chatters, life.returns = State.CLOSED, day, False, []


def _health(life: _Life, answers: Answers) -> str:
    """Return the numbers of a clear day that its rules, and the members that show most, have."""
    members = [
        one for one in life.place.members.values() if one.shows_health or one.rule in life.rules
    ]
    levels = [
        f"{percent(level / median(usual for _, usual in known[-_LEVEL_DAYS:]))} of the usual level"
        for rule, known in life.levels.items()
        if rule in answers
        and (level := level_of(life.place.members[rule].measure, answers[rule])) is not None
    ]
    return words_of(members, answers, life.units) or ", ".join(levels) or "clear"


def _comes_and_goes(life: _Life) -> bool:
    """Return whether a clear day may be one of those on which it does not show."""
    shares = life.series.get("row_silent", [])  # a row that once answered nothing is silent
    return life.chatters or (bool(shares) and min(shares) > SILENT_SHARE)


def _verify(life: _Life, day: date, text: Callable[[], str]) -> bool:
    """Say of repairs of the days before that they helped; return whether any did."""
    n_before = len(life.events)
    for n, repair in enumerate(life.repairs):
        if repair.check is Check.WAITING and repair.entry.day < day:
            entry = repair.entry
            words = f"{entry.work.value} on {entry.day.isoformat()}; since then: {text()}"
            life.repairs[n] = Repair(entry, Check.VERIFIED, day, words)
            life.say(day, News.VERIFIED, words)
    return len(life.events) > n_before


def _case(life: _Life, until: date) -> Case:
    place = life.place
    return Case(
        id=f"{place.subject.code}-{place.family.key}-{life.opened:%Y%m%d}",
        family=place.family.key,
        title=place.family.title,
        subject=place.subject,
        state=life.state,
        opened=life.opened,
        last_found=life.last_found,
        closed=life.closed,
        urgency=PRESSING[_urgency_rank(life.findings)],
        number=life.numbers(life.findings),
        findings=tuple(life.findings),
        found_today=life.last_found == until,
        clear_days=life.clear,
        unknown_days=life.unknown,
        repairs=tuple(life.repairs),
        news=tuple(event.news for event in life.events if event.day == until),
        history=tuple(life.events),
    )
