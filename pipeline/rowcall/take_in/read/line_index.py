"""Where the lines of a text lie, so that a few of them are found without cutting all of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_BLOCK_BYTES = 32_768  # small enough to find a line in, and few enough to count
_NEWLINE = ord("\n")

Longs = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class LineIndex:
    """The lines of `text` between two places.

    Attributes:
        text: bytes of UTF-8, with a delimiter of one byte.
        start: where the first line begins.
        end: where the last one ends.
        breaks: line ends before each block of the text, and before the place after the last block.
        delimiters: how many there are.
    """

    text: bytes
    start: int
    end: int
    breaks: Longs
    delimiters: int

    @classmethod
    def of(cls, text: bytes, start: int, end: int, delimiter: str) -> LineIndex:
        """Count the lines and the delimiters of a text."""
        codes, wanted = np.frombuffer(text, np.uint8), ord(delimiter)
        counts, delimiters = [0], 0
        for first in range(start, end, _BLOCK_BYTES):
            block = codes[first : min(first + _BLOCK_BYTES, end)]
            counts.append(int(np.count_nonzero(block == _NEWLINE)))
            delimiters += int(np.count_nonzero(block == wanted))
        return cls(text, start, end, np.cumsum(counts), delimiters)

    @property
    def count(self) -> int:
        """The number of lines."""
        return int(self.breaks[-1]) + 1

    @property
    def line_ends(self) -> int:
        """The number of line ends in all of the text."""
        outside = self.text.count(b"\n", 0, self.start) + self.text.count(b"\n", self.end)
        return int(self.breaks[-1]) + outside

    def lines(self, places: Longs) -> list[str]:
        """Return the lines at 0-based places, which rise; without their ends."""
        codes = np.frombuffer(self.text, np.uint8)
        blocks = np.searchsorted(self.breaks, places - 1, side="right") - 1
        found, known, ends = [], -1, np.empty(0, np.int64)
        for place, block in zip(places.tolist(), blocks.tolist(), strict=True):
            begin = self.start
            if place:
                first = self.start + block * _BLOCK_BYTES
                if block != known:
                    ends = np.flatnonzero(codes[first : first + _BLOCK_BYTES] == _NEWLINE)
                    known = block
                begin = first + int(ends[place - 1 - self.breaks[block]]) + 1
            past = self.text.find(b"\n", begin, self.end)
            found.append(self.text[begin : self.end if past < 0 else past].decode())
        return found
