"""A process that starts quickly also ends quickly, and keeps what its user settled."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
import weakref

import pytest

from rowcall.start import stopping

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


def test_a_signal_that_python_drops_in_a_callback_stops_all_the_same(
    capfd: pytest.CaptureFixture[str],
) -> None:
    class Thing:
        pass

    def interrupted(_: object) -> None:
        signal.raise_signal(signal.SIGINT)

    things = [Thing()]
    ref = weakref.ref(things[0], interrupted)
    came = list[int]()

    def work() -> None:
        nonlocal came
        with stopping() as came:
            things.clear()
            assert ref() is None
            for _ in range(1000):
                time.sleep(0.01)

    with pytest.raises(KeyboardInterrupt):
        work()
    assert came == [signal.SIGINT, signal.SIGINT]
    assert capfd.readouterr().err == ""
