"""What must be alike in two processes for the same days to give the same bytes."""

from __future__ import annotations

import os
import platform
import re
import sys
from functools import cache
from importlib.metadata import requires, version

import rowcall

Setup = dict[str, str]

_POLARS, _ALGEBRA, _TASKS = "POLARS_MAX_THREADS", "OPENBLAS_NUM_THREADS", "--nthreads"


@cache
def _versions() -> Setup:
    """Return the versions of rowcall, Python and all that rowcall needs, and the kind of machine.

    Processors of several generations are taken as alike: see FLEET.md.
    """
    needed = [text for text in requires("rowcall") or () if "extra ==" not in text]
    names = [re.split(r"[^\w.-]", text, maxsplit=1)[0] for text in needed]
    return {
        "rowcall": rowcall.__version__,
        "Python": ".".join(platform.python_version_tuple()[:2]),
        "system": f"{sys.platform} {platform.machine()}",
        **{name: version(name) for name in names},
    }


def wanted_setup() -> Setup:
    """Return what a worker must have to give the same bytes as this process."""
    return {**_versions(), _POLARS: "1", _ALGEBRA: "1", _TASKS: "1"}


def found_setup(threads: int) -> Setup:
    """Return what this process has, a worker that does tasks in so many threads."""
    import polars as pl

    # As OpenBLAS looks for it.
    algebra = os.environ.get(_ALGEBRA) or os.environ.get("OMP_NUM_THREADS") or "not set"
    return {
        **_versions(),
        _POLARS: str(pl.thread_pool_size()),
        _ALGEBRA: algebra,
        _TASKS: str(threads),
    }
