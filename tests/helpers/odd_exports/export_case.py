"""An export as bytes, together with what a reader must find on which of its lines.

A text export is kept as one piece a line: a damaged one still knows which of its lines are as they
were and what these hold, so "never stored wrong" can be tested, and a failing case cut down line
by line.
"""

from __future__ import annotations

import gzip
from codecs import getincrementaldecoder
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

Key = tuple[str, int]  # tag, microseconds since 1970-01-01 UTC
Kept = tuple[float, int]  # value (NaN: no number), quality code
HEAD, ROW, CHANGED = "head", "row", "changed"


@dataclass(frozen=True, slots=True)
class Piece:
    """A line with its end, encoded; or all of a file that has no lines."""

    raw: bytes
    role: str = CHANGED
    samples: Mapping[Key, Kept] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Case:
    """An export to be taken in.

    Attributes:
        name: file name.
        what: the mutator that was at work, empty for a valid export.
        pieces: the content; a row holds the samples that a reader must find on it.
        encoding: of the pieces; `delimiter` goes between their fields, empty for Parquet.
        packed: the content is gzipped.
        by_order: instants follow from the order of lines (local time in the doubled hour).
        loose: the damage may well change the meaning of lines that are as they were.
        in_blocks: to be read block by block, as an export too large for memory.
        by_equipment: a column names the equipment, which stands before the point of each tag.
    """

    name: str
    what: str
    pieces: tuple[Piece, ...]
    encoding: str = "utf-8"
    delimiter: str = ""
    packed: bool = False
    by_order: bool = False
    loose: bool = False
    in_blocks: bool = False
    by_equipment: bool = False

    def content(self) -> bytes:
        """Return the bytes of the file."""
        raw = b"".join(piece.raw for piece in self.pieces)
        return gzip.compress(raw, mtime=0) if self.packed else raw

    def begins(self) -> list[int]:
        """Return the 1-based line on which each piece begins, and the next one would."""
        # One after the other: an odd byte of UTF-16 shifts what follows, line ends too.
        decoder, begins = getincrementaldecoder(self.encoding)("replace"), [1]
        for piece in self.pieces:
            begins.append(begins[-1] + decoder.decode(piece.raw).count("\n"))
        return begins

    def roles(self) -> list[str]:
        """Return the role of each piece; of two lines run together, both are changed."""
        roles = [piece.role for piece in self.pieces]
        for place, piece in enumerate(self.pieces[:-1]):
            joins = not piece.raw.decode(self.encoding, "replace").endswith("\n")
            if joins and self.delimiter and self.pieces[place + 1].raw:
                roles[place] = roles[place + 1] = CHANGED
        return roles

    def with_piece(self, place: int, *new: Piece) -> Case:
        """Return the case with other pieces in the place of one."""
        return replace(self, pieces=(*self.pieces[:place], *new, *self.pieces[place + 1 :]))
