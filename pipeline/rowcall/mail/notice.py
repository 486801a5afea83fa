"""A notice: what a night must say besides its findings, and on which days it was said."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date


@dataclass(frozen=True, slots=True)
class Notice:
    """One trouble of a night, in a plain sentence with what to do. All days are plant-local.

    Attributes:
        key: the same for the same trouble on every night.
        is_event: said on two nights and not again; all else is said as long as it stands.
        first_said, last_said: the nights on which it was said in these words.
        carried_by: the day whose report has it in its first lines.
        mailed: when it was last mailed.
    """

    key: str
    text: str
    is_event: bool = False
    first_said: date | None = None
    last_said: date | None = None
    carried_by: date | None = None
    mailed: date | None = None
