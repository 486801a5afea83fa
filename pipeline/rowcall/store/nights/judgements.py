"""Which days were judged, and what those of which a part failed were last tried with."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

from rowcall.store.connection import Store


@dataclass(frozen=True, slots=True)
class Judged:
    """The last judgement of a day: newest file it knew, settings, and its count from 1.

    Attributes:
        verdicts_changed: a verdict differs from the judgement before; True for the first one.
    """

    file_id: int
    settings_hash: str
    revision: int
    at: datetime
    verdicts_changed: bool = True


LOST = ""  # stands for the settings where a part was lost with its process


@dataclass(frozen=True, slots=True)
class Attempt:
    """What a day was last tried with, of which parts failed: newest file, version, settings."""

    file_id: int
    version: str
    settings_hash: str

    @property
    def is_lost(self) -> bool:
        """Whether a part was lost with its process."""
        return self.settings_hash == LOST


def judged_days(store: Store) -> dict[date, Judged]:
    """Return the last judgement of every judged day."""
    rows = store.connection.execute(
        "SELECT day, file_id, settings_hash, revision, judged_at, "
        "verdicts_changed FROM judged "
        "QUALIFY row_number() OVER (PARTITION BY day ORDER BY revision DESC) = 1"
    ).fetchall()
    return {
        day: Judged(
            int(file_id), str(settings), int(revision), at.replace(tzinfo=UTC), bool(changed)
        )
        for day, file_id, settings, revision, at, changed in rows
    }


def failed_days(store: Store) -> dict[date, Attempt]:
    """Return what every day with parts that failed was last tried with."""
    rows = store.connection.execute(
        "SELECT DISTINCT day, file_id, version, settings_hash FROM failures "
        "ORDER BY settings_hash DESC"  # one that was lost counts before others of its day
    ).fetchall()
    return {day: Attempt(*kept) for day, *kept in rows}
