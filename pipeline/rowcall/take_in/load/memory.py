"""How much of an export is held in memory at once."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Memory:
    """How much of an export is held at once.

    Attributes:
        whole_bytes: of an export up to this size, and of its samples, all are held at once, which
            is quickest; anything larger waits in a staging file.
        block_bytes: of a text, read and taken apart at a time: large enough that beginning anew
            costs little, and small enough that the memory of one serves for the next. Chosen.
        slice_rows: samples sorted and stored at a time.
    """

    whole_bytes: int = 100 * 2**20
    block_bytes: int = 4 * 2**20
    slice_rows: int = 1_000_000
