"""Set-ups that take seconds, made once for all test processes of a run."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from filelock import FileLock


def common(factory: pytest.TempPathFactory) -> Path:
    """Return the folder of all test processes of this run."""
    base = factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Return a folder that `make` filled, whichever test process came to it first.

    Nobody may write into it: the others read it too.
    """
    root = common(factory)
    folder, done = root / name, root / f"{name}.done"
    with FileLock(root / f"{name}.lock"):
        if not done.exists():
            make(folder)
            done.touch()
    return folder
