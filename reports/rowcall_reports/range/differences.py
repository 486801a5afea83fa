"""Which verdicts of a range are others than in another run, and why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum

from rowcall.model import Rule, Subject, Verdict
from rowcall_reports.range.range_days import Basis, JudgedDay, Said

_SHOWN_FILES = 3  # chosen: a night's exports; more are counted


class Turn(Enum):
    """What became of a finding from the other run to this one."""

    CAME = "Found here only"
    WENT = "Found there only"
    CHANGED = "Found in both, with another urgency"
    UNFOUND = "Not found in either, with another verdict"


@dataclass(frozen=True, slots=True)
class Difference:
    """A verdict that is another one here than in the other run; None where there is none."""

    day: date
    rule: str
    subject: Subject
    before: Said | None
    now: Said | None
    why: tuple[str, ...]

    @property
    def turn(self) -> Turn:
        """What became of the finding."""
        was, is_now = (
            one is not None and one[0] is Verdict.FOUND for one in (self.before, self.now)
        )
        if was and is_now:
            return Turn.CHANGED
        return Turn.CAME if is_now else Turn.WENT if was else Turn.UNFOUND


def differences(
    days: Mapping[date, JudgedDay], others: Mapping[date, JudgedDay], rules: Sequence[Rule]
) -> list[Difference]:
    """Return the verdicts that differ on the days that both hold, by day, rule and place."""
    return [
        one
        for day in sorted(days.keys() & others.keys())
        for one in _of_day(day, days[day], others[day], rules)
    ]


def _of_day(
    day: date, here: JudgedDay, there: JudgedDay, rules: Sequence[Rule]
) -> Iterator[Difference]:
    read = {rule.name: {rule.name, *rule.after} for rule in rules}
    for rule, subject in sorted(here.verdicts.keys() | there.verdicts.keys()):
        before, now = there.verdicts.get((rule, subject)), here.verdicts.get((rule, subject))
        if before != now:
            keys = tuple(f"{name}." for name in read.get(rule, {rule})), f"{subject.baghouse}: "
            yield Difference(
                day, rule, subject, before, now, tuple(_why(there.basis, here.basis, *keys))
            )


def _why(before: Basis, now: Basis, of_rule: tuple[str, ...], of_house: str) -> Iterator[str]:
    """Yield what may account for a difference, a few words each.

    Args:
        of_rule, of_house: how the settings begin that bear on it.
    """
    reasons = [*_settings(before, now, (*of_rule, of_house)), *_data(before, now)]
    if before.version != now.version and before.version is not None:
        reasons.append(f"rowcall {before.version} became {now.version}")
    yield from reasons or ["other verdicts or days before, or the work log, that it rests on"]


def _settings(before: Basis, now: Basis, begins: tuple[str, ...]) -> Iterator[str]:
    if before.settings is None or now.settings is None:
        yield "other settings, not known which"
        return
    for key in sorted(before.settings.keys() | now.settings.keys()):
        old, new = before.settings.get(key, "none"), now.settings.get(key, "none")
        if old != new and key.startswith(begins):
            yield f"{key} {old} became {new}"


def _data(before: Basis, now: Basis) -> Iterator[str]:
    if before.files is None or now.files is None:
        return
    more = [name for digest, name in now.files.items() if digest not in before.files]
    if more:
        rest = f" and {len(more) - _SHOWN_FILES} more" if len(more) > _SHOWN_FILES else ""
        yield f"data of {', '.join(more[:_SHOWN_FILES])}{rest} came in since"
    elif before.files.keys() != now.files.keys():
        yield "exports that are not in the store any more"
