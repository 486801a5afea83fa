"""Files of an archive: on a disk, or in object storage through fsspec, loaded only for a URL.

fsspec leaves each kind of storage to a package, which repeats what fails in passing and finds keys
and endpoint in its usual places (for `s3://` the environment, `AWS_ENDPOINT_URL` too, and the
profile files), never in the site file.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import duckdb

from rowcall.errors import StoreError
from rowcall.store.trouble import first_line

_URL = re.compile(r"([a-z][a-z0-9+.-]+)://")
# DuckDB asks for the very ranges that it needs. Reading ahead of them, measured on a file of
# 17.8 MB: 28 MB instead of 0.05 for an hour of a tag, 92 instead of 8.5 for 12 of 30 tags.
_OPTIONS = {"s3": {"default_cache_type": "none"}}


def is_url(file: str) -> bool:
    """Return whether a file lies in object storage; else it is a path."""
    return _URL.match(file) is not None


def is_there(file: str) -> bool:
    """Return whether a file is there.

    Raises:
        StoreError: its storage cannot be asked.
    """
    if not is_url(file):
        return Path(file).is_file()
    with _plainly(file):
        storage = _storage(file)
        # From a new listing, which then answers the many questions that DuckDB has of the file.
        folder = file.rpartition("/")[0]
        storage.invalidate_cache(folder)
        try:
            storage.ls(folder)
        except FileNotFoundError:
            return False
        return bool(storage.isfile(file))


def digest_of(file: str) -> str:
    """Return the SHA-256 of a file.

    Raises:
        OSError: of a path that cannot be read.
        StoreError: of a URL that cannot be read.
    """
    if not is_url(file):
        with Path(file).open("rb") as opened:
            return hashlib.file_digest(opened, "sha256").hexdigest()
    with _plainly(file), _storage(file).open(file, "rb", cache_type="readahead") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def put(made: Path, file: str) -> None:
    """Move a file that is whole to where it shall lie, in place of what is there.

    Raises:
        OSError: the path cannot be written.
        StoreError: the URL cannot be written.
    """
    if is_url(file):
        with _plainly(file):
            _storage(file).put_file(str(made), file)
        made.unlink()
        return
    with made.open("rb+") as opened:
        os.fsync(opened.fileno())
    made.replace(file)
    _sync_folder(Path(file).parent)


def let_read(connection: duckdb.DuckDBPyConnection, file: str) -> None:
    """Let statements of a connection read a file by its path or URL."""
    match = _URL.match(file)
    if match and not connection.filesystem_is_registered(match[1]):
        with _plainly(file):
            connection.register_filesystem(_storage(file))


@contextmanager
def reading_plainly() -> Iterator[None]:
    """Raise as a StoreError what a storage fails with while a statement reads from it.

    DuckDB passes on the traceback as text only.
    """
    try:
        yield
    except duckdb.Error as error:
        text = str(error).rstrip()
        if "Traceback (most recent call last)" not in text:
            raise
        raise StoreError(
            f"The archive cannot be read ({text.splitlines()[-1]}); check the network and try "
            "again."
        ) from error


def _storage(url: str) -> Any:
    """Return the file system of fsspec for a URL; the same one for the same kind."""
    import fsspec

    kind = url.partition("://")[0]
    return fsspec.filesystem(kind, **_OPTIONS.get(kind, {}))


@contextmanager
def _plainly(file: str) -> Iterator[None]:
    """Raise what a storage fails with as a StoreError: each package has exceptions of its own."""
    try:
        yield
    except ImportError as error:
        raise StoreError(
            f"{file}: this kind of storage needs a package that is not installed "
            f'({first_line(error)}). For s3:// use pip install "rowcall[object-storage]".'
        ) from error
    except Exception as error:
        raise StoreError(f"{file}: {_reason(error)}") from error


def _reason(error: Exception) -> str:
    said = first_line(error)
    if isinstance(error, FileNotFoundError):
        return f"there is no such bucket or object ({said}); check [archive] folder."
    if isinstance(error, PermissionError):
        return f"access is denied ({said}); check the keys of this account and what they allow."
    said = f"{type(error).__name__}: {said}"
    return f"the storage cannot be used ({said}); check the network, its endpoint and the keys."


def _sync_folder(folder: Path) -> None:
    """Let a renaming reach the disk, where folders can be opened."""
    if os.name != "posix":
        return
    at = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(at)
    finally:
        os.close(at)
