"""What is the same for every export of a run, and what became of each."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING

from rowcall.site import Site
from rowcall.store import Store
from rowcall.take_in.load.memory import Memory

if TYPE_CHECKING:
    from rowcall.file_note import FileNote


@dataclass(frozen=True, slots=True)
class Run:
    """What is the same for every file."""

    store: Store
    site: Site
    now: datetime
    settle_s: float
    memory: Memory


class Outcome(StrEnum):
    """What became of one export."""

    STORED = "stored"
    KNOWN = "known"  # its content was taken in before
    REFUSED = "refused"  # nothing of it is stored
    WAITING = "waiting"  # it is, or may be, still being written


# Of rows set aside until their time has come, and as asked for.
FUTURE = "the time lies ahead of this computer's clock by more than take_in.future_tolerance"
UNKNOWN_TAG = "no baghouse of the site file has this tag"
_MANY_ASIDE = 0.01  # of a file's rows; chosen: a few odd lines are usual, one in a hundred is not


def has_many_aside(note: FileNote) -> bool:
    """True where so many rows of a file are set aside that it is to be said first."""
    return note.set_aside > _MANY_ASIDE * note.rows_read


@dataclass(frozen=True, slots=True)
class TakenIn:
    """One export's outcome: a file's, or a member's of a zip archive.

    `note` is its line of the ledger (stored, known); `message` a plain sentence, never empty for
    a refused or waiting file.
    """

    path: Path
    outcome: Outcome
    note: FileNote | None
    message: str

    @property
    def has_many_aside(self) -> bool:
        """True for a stored export of which more than 1 % of the rows are set aside."""
        if self.outcome is not Outcome.STORED or self.note is None:
            return False
        return has_many_aside(self.note)
