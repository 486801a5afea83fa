"""Disks that are full and folders that may not be written, without harm to the machine."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest


@contextmanager
def full_disk() -> Iterator[Callable[[int], None]]:
    """Yield a function that lets no file grow beyond so many bytes from then on.

    The limit is the system's, so that DuckDB's own writes fail as on a full disk; it ends with
    the block.
    """
    if sys.platform == "win32":
        pytest.skip("there is no such limit here")
    else:
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        try:
            yield lambda n_bytes: resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, hard))
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@contextmanager
def read_only(
    folder: Path, monkeypatch: pytest.MonkeyPatch, kind: type, method: str
) -> Iterator[None]:
    """Forbid writing into a folder; where that binds nobody, let a method fail as it then would.

    `method` is one of a `kind` of path, or of a lock on one.
    """
    write, mode = getattr(kind, method), folder.stat().st_mode

    def write_elsewhere(self: Any, *given: Any, **named: Any) -> Any:
        if folder in Path(getattr(self, "lock_file", self)).parents:
            raise PermissionError(13, "Permission denied")
        return write(self, *given, **named)

    folder.chmod(0o555)
    try:
        with monkeypatch.context() as patch:
            if sys.platform == "win32" or os.geteuid() == 0:
                patch.setattr(kind, method, write_elsewhere)
            yield
    finally:
        folder.chmod(mode)
