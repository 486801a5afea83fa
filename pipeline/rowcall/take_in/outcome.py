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
