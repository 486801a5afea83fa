"""What an export holds as it lies on disk."""

from __future__ import annotations

from concurrent.futures import Future
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rowcall.take_in.beginning import BegunText


@dataclass(slots=True)
class Content:
    """The content of an export that fits in memory.

    Attributes:
        raw: as it lies on disk.
        sha256: its digest in hexadecimal.
        begun: of a text export, what reading it has begun with; good for one reading.
    """

    raw: bytes
    sha256: Future[str]
    begun: BegunText | None = None

    def let_go(self) -> None:
        """Free the memory, which is as much as the file has bytes."""
        self.raw, self.begun = b"", None
