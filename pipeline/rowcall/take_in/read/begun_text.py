"""A long text export whose reading has begun."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from typing import TypeAlias

import polars as pl

from rowcall.take_in.files.background import Arriving
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.preamble import Head

# A block of text, and what the scan made of it.
Scanned: TypeAlias = tuple[bytes, pl.DataFrame]


@dataclass(frozen=True, slots=True)
class BegunText:
    """A long text export that is read block by block, for as long as it is plainly written.

    `scanned` may raise a `NotPlainError` at every block.
    """

    head: Head
    layout: Layout
    scanned: Arriving[Scanned] | Generator[Scanned]

    def close(self) -> None:
        """Read no further."""
        if isinstance(self.scanned, Arriving):
            self.scanned.leave()
        else:
            self.scanned.close()
