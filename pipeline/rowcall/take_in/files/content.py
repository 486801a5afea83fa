"""What an export holds as it lies on disk, from the first byte read on."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Executor
from contextlib import closing
from typing import TYPE_CHECKING

from rowcall.take_in.files.background import Arriving
from rowcall.take_in.files.sources import Piece, reading

if TYPE_CHECKING:
    from rowcall.take_in.read.begun_text import BegunText

_MOST_BLOCKS = 4  # that wait to be worked with


class Content:
    """The content of an export that fits in memory; a thread of `pool` begins to read it at once.

    It comes in blocks of about `block_bytes`; of a text each ends where a line does, but for the
    last one.

    Attributes:
        pool: threads that work beside.
        begun: of a text export, what reading it has begun with; good for one reading.
    """

    def __init__(self, pool: Executor, piece: Piece, block_bytes: int) -> None:
        self.begun: BegunText | None = None
        self.pool = pool
        self._piece, self._block_bytes = piece, block_bytes
        self._sha256 = ""
        self._arriving: Arriving[bytes] | None = Arriving(pool, self._read(), _MOST_BLOCKS)

    def first(self) -> bytes:
        """Return the first block, which stays what `blocks` begins with.

        Raises:
            ExportError: the file cannot be read.
        """
        if self._arriving is not None:
            return self._arriving.first() or b""
        with closing(self.blocks()) as blocks:
            return next(blocks, b"")

    def blocks(self) -> Generator[bytes]:
        """Return all blocks in order: at first as they are read anyway, later by reading again.

        Raises:
            ExportError: the file cannot be read.
        """
        arriving, self._arriving = self._arriving, None
        if arriving is None:
            yield from self._read()
            return
        try:
            yield from arriving
        finally:
            arriving.leave()

    def whole(self) -> bytes:
        """Return all of it; raises as `blocks`."""
        return b"".join(self.blocks())

    def sha256(self) -> str:
        """Return its digest in hexadecimal, once all of it was read; raises as `blocks`."""
        while not self._sha256:
            for _ in self.blocks():
                pass
        return self._sha256

    def close(self) -> None:
        """Let go of what is still being read."""
        if self.begun is not None:
            self.begun.close()
        if self._arriving is not None:
            self._arriving.leave()
        self.begun = self._arriving = None

    def _read(self) -> Generator[bytes]:
        """Read it once, and tell its digest when at the end."""
        digest = hashlib.sha256()
        yield from _blocks(self._piece, self._block_bytes, digest.update)
        self._sha256 = digest.hexdigest()


def _blocks(piece: Piece, block_bytes: int, look: Callable[[bytes], None]) -> Iterator[bytes]:
    """Return the content of an export block by block, each shown to `look` as it is read.

    Raises:
        ExportError: the file cannot be read.
    """
    size = -1 if piece.is_parquet else block_bytes
    rest, left = b"", piece.size_bytes
    with reading(piece), piece.open() as stream:
        while block := stream.read(size):
            look(block)
            left -= len(block)
            cut = len(block) if left <= 0 else block.rfind(b"\n") + 1
            if cut == len(block) and not rest:
                yield block
            elif cut:
                yield b"".join((rest, memoryview(block)[:cut]))
            rest = block[cut:] if cut else rest + block
            del block
    if rest:
        yield rest
