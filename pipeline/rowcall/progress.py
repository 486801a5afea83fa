"""What a run says of how far it is."""

from __future__ import annotations

from typing import Self


class Step(str):
    """A line on what is done now: in a log as it stands, on a terminal with a bar.

    Attributes:
        done: which of the steps this is, from 1.
        of: how many there are; perhaps more later.
    """

    done: int
    of: int

    def __new__(cls, text: str, done: int, of: int) -> Self:
        """Return the line."""
        step = super().__new__(cls, text)
        step.done, step.of = done, of
        return step
