"""What a rule answers, and of what."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum


class Verdict(StrEnum):
    """What a rule says of one subject and day."""

    FOUND = "found"
    CLEAR = "clear"
    CANNOT_TELL = "cannot tell"


class Urgency(StrEnum):
    """When a finding wants action, most pressing first."""

    NOW = "now"
    NEXT_OUTAGE = "next outage"
    WATCH = "watch"


PRESSING = (*Urgency, None)  # most pressing first


class Caution(StrEnum):
    """Hazards of the work that a finding leads to; the report spells each one out."""

    LOCKOUT = "lockout"
    STORED_AIR = "stored air"
    CONFINED_SPACE = "confined space"
    HOT = "hot"
    COMBUSTIBLE_DUST = "combustible dust"
    BREATHING = "breathing"
    HEIGHT = "height"


@dataclass(frozen=True, slots=True, order=True)
class Subject:
    """What an answer is about; compartment and row are 1-based, 0 meaning all of them.

    is_place: `row` is a place in the firing sequence, the row itself being unknown.
    """

    baghouse: str
    compartment: int = 0
    row: int = 0
    is_place: bool = False

    @property
    def code(self) -> str:
        """It in ids: `BH1-C2-R7`, `BH1-C2-P7` for a place."""
        numbers = (("C", self.compartment), ("P" if self.is_place else "R", self.row))
        return "-".join(
            [self.baghouse, *(f"{letter}{number}" for letter, number in numbers if number)]
        )


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number that supports an answer, with its UCUM unit."""

    name: str
    value: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """One verdict of a rule on one subject.

    `text` says why in plain words with numbers; `action` what to do (found only); `start` and
    `end` (UTC) bound what was seen.
    """

    subject: Subject
    verdict: Verdict
    text: str
    action: str = ""
    urgency: Urgency | None = None
    start: datetime | None = None
    end: datetime | None = None
    values: tuple[Quantity, ...] = ()

    @classmethod
    def cannot_tell(cls, subject: Subject, why: str) -> Answer:
        """Return the answer of a rule that lacks what it needs to judge."""
        return cls(subject=subject, verdict=Verdict.CANNOT_TELL, text=f"Cannot tell: {why}.")

    @classmethod
    def clear(cls, subject: Subject, text: str, values: Iterable[Quantity] = ()) -> Answer:
        """Return the answer of a rule that looked and found nothing."""
        return cls(subject=subject, verdict=Verdict.CLEAR, text=text, values=tuple(values))


@dataclass(frozen=True, slots=True)
class Finding:
    """An answer with the day and rule it belongs to: one line of the findings file."""

    day: date
    rule: str
    answer: Answer

    @property
    def id(self) -> str:
        """Of every judgement of the same place, rule and day: `BH1-C1-R7-row_weak-20260224`."""
        return f"{self.answer.subject.code}-{self.rule}-{self.day:%Y%m%d}"
