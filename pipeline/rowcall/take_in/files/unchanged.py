"""Seeing that a file was one and the same from the first byte read to the last."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rowcall.take_in.files.sources import Source

if TYPE_CHECKING:
    from rowcall.store.batch import Part


class ChangedError(Exception):
    """The file was written to, replaced or removed while it was being read."""


@dataclass(frozen=True, slots=True)
class FileState:
    """What shows that a file was written to, or that another one took its place."""

    inode: int
    size_bytes: int
    modified_ns: int
    changed_ns: int

    @classmethod
    def of(cls, path: Path) -> FileState | None:
        """Return the state of a file as it is now, None where there is none."""
        try:
            now = path.stat()
        except FileNotFoundError:
            return None
        return cls(now.st_ino, now.st_size, now.st_mtime_ns, now.st_ctime_ns)


@dataclass(frozen=True, slots=True)
class Watched:
    """An export, and the state of its file before the first byte was read."""

    source: Source
    before: FileState | None

    def check(self) -> None:
        """See that all that was read is of one and the same content.

        Raises:
            ChangedError: it may not be.
        """
        if FileState.of(self.source.path) != self.before:
            raise ChangedError

    def checked(self, parts: Iterable[Part]) -> Iterator[Part]:
        """Check after the last of the parts, for which the file may be read once more."""
        yield from parts
        self.check()
