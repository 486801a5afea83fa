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

    @property
    def code(self) -> str:
        """It in ids: `BH1-C2-R7`, `BH1-C2-P7` for a place."""
        numbers = (("C", self.compartment), ("P" if self.is_place else "R", self.row))
        return "-".join(
            [self.baghouse, *(f"{letter}{number}" for letter, number in numbers if number)]
        )
