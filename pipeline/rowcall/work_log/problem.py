"""What is wrong in a work log, and the columns that it may have."""

from __future__ import annotations

from enum import StrEnum

from rowcall.errors import printable

_SHOWN = 60  # characters of a cell that a message quotes; chosen: a line of a mail


class Column(StrEnum):
    """A column of the work log; only time and work must be there."""

    TIME = "time"
    BAGHOUSE = "baghouse"
    COMPARTMENT = "compartment"
    ROW = "row"
    POSITION = "position"
    WORK = "work"
    RESULT = "result"
    PART = "part"
    NOTE = "note"


class Problem(Exception):  # noqa: N818 -- returned and said at the end, like those of other steps
    """What is wrong with a line, and what is allowed.

    Attributes:
        text: a sentence that follows the place.
        line: of the file, from 1; 0 where it is not known yet.
        column: in which it stands, empty for the whole line.
    """

    def __init__(self, text: str, column: str = "", line: int = 0) -> None:
        super().__init__(text)
        self.text, self.column, self.line = text, column, line

    def said(self, file: str) -> str:
        """Return it as a sentence with its place."""
        places = (file, f"line {self.line}", self.column and f"column {self.column}")
        return printable(f"{', '.join(filter(None, places))}: {self.text}")


def quoted(cell: str) -> str:
    """Return a cell as messages show it."""
    return f'"{cell}"' if len(cell) <= _SHOWN else f'"{cell[:_SHOWN]}..."'
