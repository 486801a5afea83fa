"""Packed exports: gzip and Zstandard unpacked as streams, with a guard against bombs."""

from __future__ import annotations

import gzip
import io
import zlib
from typing import BinaryIO, cast

from rowcall.errors import ExportError
from rowcall.site.plant import shown_size

_GZIP, _ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"  # RFC 1952, 2.3.1; RFC 8878, 3.1.1

# Text of a historian shrinks five- to fiftyfold, and a column that never changes a few hundredfold.
# What grows more than this, and past a size that never hurts, was made to fill the disk. Chosen.
_MOST_GROWTH, _ALWAYS_ALLOWED = 1_000, 100 * 2**20


class Unpacked:
    """The content of a stream, unpacked where its first bytes say that it is packed.

    `read` raises an `ExportError` where the packed data is damaged, or grows beyond the limit.
    """

    def __init__(self, file: str, stream: BinaryIO, packed_bytes: int, limit: int) -> None:
        self._file, self._outer, self._packed_bytes = file, stream, packed_bytes
        self._limit, self._count = limit, 0
        buffered = io.BufferedReader(cast(io.RawIOBase, stream))
        self._kind = _kind(buffered.peek(4)[:4])
        self._inner = _unpacking(self._kind, cast(BinaryIO, buffered))

    @property
    def is_packed(self) -> bool:
        """True where the content is gzip or Zstandard."""
        return bool(self._kind)

    def read(self, size: int, /) -> bytes:
        """Return at most `size` bytes of the unpacked content, nothing at its end."""
        try:
            block = self._inner.read(size)
        except (OSError, EOFError, zlib.error) as error:
            if not self._kind:
                raise
            raise ExportError(
                f"{self._file}: the {self._kind} data is damaged or cut off; copy the file again."
            ) from error
        self._count += len(block)
        check_size(self._file, self._count, self._packed_bytes, self._limit)
        return block

    def close(self) -> None:
        """Let go of the file."""
        self._inner.close()
        self._outer.close()


def check_size(file: str, unpacked: int, packed: int, limit: int) -> None:
    """Refuse a file whose content is larger, or grows more in unpacking, than an export's does.

    Raises:
        ExportError: it does.
    """
    if unpacked > limit:
        raise ExportError(
            f"{file}: its content is larger than {shown_size(limit)}; export shorter spans, or "
            "raise take_in.largest_unpacked in the site file."
        )
    if unpacked > _ALWAYS_ALLOWED and unpacked > _MOST_GROWTH * packed:
        raise ExportError(
            f"{file}: {packed:,} bytes unpack to more than {_MOST_GROWTH:,} times as many, which "
            "no export does; look where the file comes from."
        )


def _kind(head: bytes) -> str:
    if head.startswith(_GZIP):
        return "gzip"
    return "Zstandard" if head.startswith(_ZSTD) else ""


def _unpacking(kind: str, stream: BinaryIO) -> BinaryIO:
    if kind == "gzip":
        return cast(BinaryIO, gzip.GzipFile(fileobj=stream))
    if kind:
        import pyarrow as pa  # imported late: few exports need it, and it takes a tenth of a second

        return cast(BinaryIO, pa.CompressedInputStream(pa.PythonFile(stream, mode="r"), "zstd"))
    return stream
