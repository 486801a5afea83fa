"""How much of an export is held in memory at once."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Memory:
    """How much of an export is held at once.

    Attributes:
        whole_bytes: of content up to this size all samples are held at once, which is quickest; a
            long text takes three times its size, any other about six times.
        block_bytes: of a text, read and taken apart at a time: large enough that beginning anew
            costs little, and small enough that the memory of one serves for the next. Chosen.
        slice_rows: samples sorted and stored at a time.
    """

    whole_bytes: int = 100 * 2**20
    block_bytes: int = 8 * 2**20
    slice_rows: int = 1_000_000
