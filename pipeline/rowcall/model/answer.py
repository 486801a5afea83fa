"""What a rule answers, and of what."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from rowcall.site.roles import Role
from rowcall.site.subject import Subject


class Verdict(StrEnum):
    """What a rule says of one subject and day."""

    FOUND = "found"
    CLEAR = "clear"
    CANNOT_TELL = "cannot tell"


class Lack(StrEnum):
    """What a rule lacked where it cannot tell; reports know what would supply it."""

    NOTHING = "nothing"  # that a record could hold: no pulses, or another rule found the reason
    TAG = "tag"
    USABLE_TAG = "usable tag"
    STEP = "step"  # between points of a tag
    COVERAGE = "coverage"  # of the day by a tag
    ROW_SIGNAL = "row signal"  # which row was pulsed when
    FINE_PRESSURE = "fine pressure"  # of the header, against noise and between pulses
    PHASES = "phases"  # samples of pressure at more than one moment after a pulse
    EVERY_SAMPLE = "every sample"  # of header pressure, none lost
    MEDIA = "media"
    SITE_KEY = "site key"  # a line of the site file
    SUPPLY = "supply"  # pressure ahead of the headers
    HISTORY = "history"
    SENSOR = "sensor"  # a tag that is not trusted on the day
    OTHER_TAG = "other tag"  # nothing: another tag of the role is judged in place of this one


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
    `end` (UTC) bound what was seen; `lack` what was lacking (cannot tell only; None in stores of
    before), and `lack_of` of which tag or role, in words. `condemns`: roles whose tags at the
    subject are not to be trusted on the day (found by rules of sensors only; not stored).
    """

    subject: Subject
    verdict: Verdict
    text: str
    action: str = ""
    urgency: Urgency | None = None
    start: datetime | None = None
    end: datetime | None = None
    values: tuple[Quantity, ...] = ()
    lack: Lack | None = None
    lack_of: str = ""
    condemns: tuple[Role, ...] = ()

    @classmethod
    def cannot_tell(
        cls,
        subject: Subject,
        why: str,
        lack: Lack,
        of: str = "",
        *,
        values: Iterable[Quantity] = (),
    ) -> Answer:
        """Return the answer of a rule that lacks what it needs to judge."""
        return cls(
            subject=subject,
            verdict=Verdict.CANNOT_TELL,
            text=f"Cannot tell: {why}.",
            lack=lack,
            lack_of=of,
            values=tuple(values),
        )

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
