"""Work logs of the tests."""

from __future__ import annotations

from datetime import UTC, date, datetime, time

from rowcall.model import Subject, Work, WorkEntry, WorkLog


def only(
    work: Work,
    day: date,
    compartment: int = 0,
    row: int = 0,
    *,
    house: str = "BH1",
    position: int = 0,
    line: int = 2,
) -> WorkEntry:
    """Return an entry without a time of day."""
    return WorkEntry(
        at=datetime.combine(day, time(), UTC),
        line=line,
        day=day,
        work=work,
        subject=Subject(house, compartment, row),
        position=position,
    )


def log(*entries: WorkEntry) -> WorkLog:
    """Return a log of entries in any order."""
    return WorkLog(tuple(sorted(entries)))
