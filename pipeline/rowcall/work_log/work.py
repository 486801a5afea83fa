"""What was done at the baghouse, as the work log has it: the one place that says "on purpose"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum
from typing import Self

from rowcall.site.subject import Subject


class Work(StrEnum):
    """What an entry of the work log says was done."""

    BAGS_CHANGED = "bags changed"
    DIAPHRAGMS_RENEWED = "diaphragms renewed"
    SOLENOID_RENEWED = "solenoid renewed"
    AIR_MENDED = "air supply mended"
    CONTROLLER_MENDED = "controller mended"
    INSTRUMENT_MENDED = "instrument mended"
    SET_POINT_CHANGED = "set point changed"
    PRE_COATED = "pre-coat"
    DYE_TEST = "dye test"
    INSPECTED = "inspection"
    OUTAGE_PLANNED = "outage planned"
    OUTAGE_BEGUN = "outage begun"
    OUTAGE_ENDED = "outage ended"
    OFF = "off on purpose"
    ON = "on again"
    NOTE = "note"


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class WorkEntry:
    """One line of the work log.

    Attributes:
        at: the instant (UTC); the start of the plant-local day where only a date was given.
        day: the plant-local day.
        line: of the file, from 1.
        is_timed: a time of day was given, not only a date.
        subject: what was worked on; an empty baghouse is all of them, 0 all compartments or rows.
        position: of the bag in its row, from 1; 0 where none is named.
        result: what came of it, as written.
        part: batch or part number, as written.
    """

    at: datetime
    line: int
    day: date
    work: Work
    subject: Subject
    is_timed: bool = False
    position: int = 0
    result: str = ""
    part: str = ""
    note: str = ""

    @property
    def date(self) -> str:
        """The day, as sentences have it: `3 Mar`."""
        return f"{self.day.day} {self.day:%b}"

    def covers(self, subject: Subject) -> bool:
        """Return whether all of a subject was worked on."""
        own = self.subject
        return (
            own.baghouse in ("", subject.baghouse)
            and own.compartment in (0, subject.compartment)
            and own.row in (0, subject.row)
            and not (own.row and subject.is_place)
        )

    def touches(self, subject: Subject) -> bool:
        """Return whether any part of a subject was worked on."""
        own = self.subject
        return (
            own.baghouse in ("", subject.baghouse)
            and (not own.compartment or subject.compartment in (0, own.compartment))
            and (not own.row or subject.is_place or subject.row in (0, own.row))
        )


@dataclass(frozen=True, slots=True)
class WorkLog:
    """The entries, by their instants and then by their lines."""

    entries: tuple[WorkEntry, ...] = ()

    def __iter__(self) -> Iterator[WorkEntry]:
        return iter(self.entries)

    def of(self, *kinds: Work) -> Iterator[WorkEntry]:
        """Yield the entries of some kinds of work, oldest first."""
        return (entry for entry in self.entries if entry.work in kinds)

    def done_by(self, end: datetime) -> Self:
        """Return the log as of an instant: work done before it, and outages planned after it."""
        return type(self)(
            tuple(
                entry
                for entry in self.entries
                if entry.at < end or entry.work is Work.OUTAGE_PLANNED
            )
        )

    def off(self, subject: Subject, start: datetime, end: datetime) -> WorkEntry | None:
        """Return the entry by which a subject was off on purpose in some of a span, if it was."""
        last: WorkEntry | None = None
        for entry in self.of(Work.OFF, Work.ON):
            if not entry.covers(subject) or entry.at >= end:
                continue
            if entry.work is Work.OFF:
                last = entry
            elif entry.at <= start:
                last = None
        return last

    def next_outage(self, baghouse: str, day: date) -> date | None:
        """Return the first day from `day` on for which an outage of a baghouse is planned."""
        house = Subject(baghouse)
        planned = (entry for entry in self.of(Work.OUTAGE_PLANNED) if entry.covers(house))
        return min((entry.day for entry in planned if entry.day >= day), default=None)
