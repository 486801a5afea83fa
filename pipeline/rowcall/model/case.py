"""A case: what ails one place, followed over days from its first finding to its last."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from rowcall.model.answer import Finding, Urgency
from rowcall.site.subject import Subject
from rowcall.work_log.work import WorkEntry


class State(StrEnum):
    """How a case stands at the end of a day."""

    OPEN = "open"
    QUIET = "quiet"  # clear for some days, not yet for long enough to be closed
    CLOSED = "closed"


class News(StrEnum):
    """What became of a case on a day."""

    OPENED = "new"
    WORSE = "worse"
    BETTER = "better"
    BACK = "back again"
    CHATTERS = "comes and goes"
    QUIET = "not found any more"
    VERIFIED = "mended"
    CONTRADICTED = "not mended"
    CLOSED = "closed"


class Check(StrEnum):
    """What the data say of a repair."""

    VERIFIED = "verified"
    CONTRADICTED = "contradicted"
    WAITING = "not yet seen"


@dataclass(frozen=True, slots=True)
class Repair:
    """An entry of the work log that should have mended a case, and what the data say of it.

    Attributes:
        day: that said so, None while none does.
        text: in words with numbers.
    """

    entry: WorkEntry
    check: Check
    day: date | None = None
    text: str = ""


@dataclass(frozen=True, slots=True)
class Sign:
    """A piece of evidence for a cause (weight > 0) or against it (< 0).

    weight: natural logarithm of a likelihood ratio.
    """

    text: str
    weight: float


@dataclass(frozen=True, slots=True)
class RankedCause:
    """One possible cause of a case; the probabilities of a case's causes add up to 1.

    is_measured: trials stand behind its weights, so that the number may be shown.
    """

    name: str
    title: str
    probability: float
    signs: tuple[Sign, ...]
    check_first: tuple[str, ...]
    is_measured: bool = False


@dataclass(frozen=True, slots=True)
class Explained:
    """A finding elsewhere that a case accounts for.

    share: how much of it, 0 to 1; a finding with 1 is no job of its own.
    """

    finding: Finding
    share: float
    text: str


@dataclass(frozen=True, slots=True)
class Event:
    """One line of the history of a case."""

    day: date
    news: News
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What ails one place, as of the end of a day.

    Attributes:
        id: stable; the place, the family and the first day, such as `BH1-C1-R7-valve-20260224`.
        family: key of the kind of trouble, such as `valve`; findings of one family at one place
            are one case.
        title: of the family, in words.
        opened, last_found: first and last day on which it was found.
        closed: the day on which it was closed, None while it is not.
        urgency: the most pressing of the findings of the last day on which it was found.
        findings: of the last day on which it was found, the most pressing first.
        found_today: whether that day is the day of the report.
        clear_days: how many days it has been clear since.
        unknown_days: how many days up to this one it could not be judged.
        number: what its findings measured, in a few words.
        causes: the most probable first.
        explains: findings elsewhere that it accounts for, today.
        explained_by: ids of cases that account for all of it, today; then it is no job of its own.
        repairs: what was done about it, oldest first.
        news: what is new of it on this day.
        history: all that became of it, oldest first.
    """

    id: str
    family: str
    title: str
    subject: Subject
    state: State
    opened: date
    last_found: date
    closed: date | None = None
    urgency: Urgency | None = None
    findings: tuple[Finding, ...] = ()
    found_today: bool = False
    clear_days: int = 0
    unknown_days: int = 0
    number: str = ""
    causes: tuple[RankedCause, ...] = ()
    explains: tuple[Explained, ...] = ()
    explained_by: tuple[str, ...] = ()
    repairs: tuple[Repair, ...] = ()
    news: tuple[News, ...] = ()
    history: tuple[Event, ...] = ()

    @property
    def is_job(self) -> bool:
        """Whether something is to be done about it by itself."""
        return self.state is State.OPEN and not self.clear_days and not self.explained_by

    @property
    def is_unseen(self) -> bool:
        """Whether it is open, and the day could not say whether it still is."""
        return self.state is State.OPEN and not self.clear_days and not self.found_today
