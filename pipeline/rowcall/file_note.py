"""A line of the ledger: what one export file brought."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class FileNote:
    """One export file that brought samples: a line of the take-in ledger."""

    name: str
    sha256: str
    rows_read: int
    stored: int
    replaced: int
    unchanged: int
    set_aside: int
    first: datetime | None  # UTC
    last: datetime | None  # UTC
