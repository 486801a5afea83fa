"""How much of an export is held in memory at once."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Memory:
    """How much of an export is held at once.

    Attributes:
        whole_bytes: content up to this size is read at once, which is quickest; a file takes
            about six times its size.
        block_bytes: of the text of a larger one, taken apart at a time.
        slice_rows: samples sorted and stored at a time.
    """

    whole_bytes: int = 100 * 2**20
    block_bytes: int = 4 * 2**20
    slice_rows: int = 1_000_000
