"""What an answer, an entry of the work log or a case is about."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Subject:
    """What an answer is about; compartment and row are 1-based, 0 meaning all of them.

    is_place: `row` is a place in the firing sequence, the row itself being unknown.
    """

    baghouse: str
    compartment: int = 0
    row: int = 0
    is_place: bool = False
