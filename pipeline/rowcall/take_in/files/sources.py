"""The exports that a file holds: itself, or each member of a zip archive."""

from __future__ import annotations

import hashlib
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from threading import Event
from typing import BinaryIO, cast

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.files.inbox import SPREADSHEETS, is_export, is_parquet, no_spreadsheet
from rowcall.take_in.files.unpack import check_size

_DIGEST_BYTES = 2**20  # hashed at a time; chosen: more is no quicker
_ENCRYPTED = 0x1  # bit 0 of a member's flags, by the zip format's specification


@dataclass(frozen=True, slots=True)
class Source:
    """One export to be read, once or more often.

    Attributes:
        name: for messages and the ledger; `archive.zip/member.csv` for a member.
        path: the file on disk that holds it.
        size_bytes: of its content; gzip and Zstandard count as they are.
        packed_bytes: what it takes on disk.
        open: opens its content from the beginning.
        problem: why it cannot be read, or nothing.
    """

    name: str
    path: Path
    size_bytes: int
    packed_bytes: int
    open: Callable[[], BinaryIO]
    problem: str = ""

    @property
    def is_parquet(self) -> bool:
        """True where the name says Parquet."""
        return is_parquet(PurePosixPath(self.name))

    def sha256(self, given_up: Event) -> str:
        """Return the digest of the content; of no use once `given_up` is set.

        Raises:
            ExportError: it cannot be read.
        """
        digest = hashlib.sha256()
        with reading(self), self.open() as stream:
            while not given_up.is_set() and (block := stream.read(_DIGEST_BYTES)):
                digest.update(block)
        return digest.hexdigest()


def sources_in(path: Path, name: str, largest: int) -> Iterator[Source]:
    """Return the exports in a file; an archive stays open until the last one was asked for.

    Raises:
        ExportError: a spreadsheet, or an archive that cannot be opened or holds no export.
        OSError: the file cannot be read.
    """
    if path.suffix.lower() in SPREADSHEETS:
        raise ExportError(no_spreadsheet(name))
    if path.suffix.lower() != ".zip":
        size = path.stat().st_size
        yield Source(name, path, size, size, lambda: path.open("rb"))
        return
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, EOFError, ValueError, NotImplementedError) as error:
        raise ExportError(
            f"{name}: the zip archive is damaged or cut off; copy the file again."
        ) from error
    with archive:
        members = [
            info
            for info in archive.infolist()
            if not info.is_dir() and is_export(PurePosixPath(info.filename))
        ]
        if not members:
            raise ExportError(f"{name}: the zip archive holds no export; put CSV or Parquet in it.")
        # Members may share their packed bytes, so all of them are held against the whole file.
        unpacked = sum(info.file_size for info in members)
        check_size(name, unpacked, path.stat().st_size, len(members) * largest)
        for info in members:
            yield _member(archive, path, name, info, largest)


@contextmanager
def reading(source: Source) -> Iterator[None]:
    """Turn what goes wrong in reading an export into a plain sentence.

    Raises:
        ExportError: something did.
    """
    try:
        yield
    except OSError as error:
        raise ExportError(
            f"{source.name}: the file cannot be read ({error.strerror or error}); "
            "check that it is still there."
        ) from error
    except NotImplementedError as error:
        raise ExportError(
            f"{source.name}: the archive is packed in a way that is not known; pack it anew."
        ) from error
    except (EOFError, zlib.error, zipfile.BadZipFile) as error:
        raise ExportError(
            f"{source.name}: the archive is damaged here; copy the file again."
        ) from error


def fits(source: Source, overrides: TakeIn, most: int) -> bool:
    """True for an export that is read at once, False for one that would take too much memory.

    Args:
        most: the largest content in bytes, as text or as columns of numbers, that is held whole.

    Raises:
        ExportError: it is larger than the site file allows.
    """
    check_size(source.name, source.size_bytes, source.packed_bytes, overrides.largest_unpacked)
    return source.size_bytes <= most


def _member(
    archive: zipfile.ZipFile, path: Path, name: str, info: zipfile.ZipInfo, largest: int
) -> Source:
    own = f"{name}/{info.filename}"
    problem = ""
    if info.filename.lower().endswith(".zip"):
        problem = f"{own}: an archive within an archive is not opened; put its files into one."
    elif info.filename.lower().endswith(SPREADSHEETS):
        problem = no_spreadsheet(own)
    elif info.flag_bits & _ENCRYPTED:
        problem = f"{own}: the archive asks for a password; export it without one."
    else:
        try:
            check_size(own, info.file_size, info.compress_size, largest)
        except ExportError as error:
            problem = str(error)
    return Source(
        name=own,
        path=path,
        size_bytes=info.file_size,
        packed_bytes=info.compress_size,
        open=lambda: cast(BinaryIO, archive.open(info)),
        problem=problem,
    )
