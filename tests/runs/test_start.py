"""A process that starts quickly also ends quickly, and keeps what its user settled."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

# What is registered first runs last, so this sees what the start arranged for the end.
_AT_END = (
    "import atexit, gc, os;"
    "atexit.register(lambda: print(gc.get_freeze_count() > 0, os.environ['OPENBLAS_NUM_THREADS']));"
    "from rowcall.start import start_quickly;"
    "start_quickly(); start_quickly();"
    "print(gc.isenabled(), gc.get_freeze_count())"
)


@pytest.mark.parametrize(("given", "kept"), [({}, "1"), ({"OPENBLAS_NUM_THREADS": "2"}, "2")])
def test_only_at_the_end_nothing_is_looked_through_for_garbage(
    given: dict[str, str], kept: str
) -> None:
    inherited = {name: at for name, at in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", _AT_END],
        check=True,
        capture_output=True,
        text=True,
        env=inherited | given,
    )
    assert done.stdout.split() == ["True", "0", "True", kept]
