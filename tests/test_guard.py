"""The guard: what fails unexpectedly is collected, what has a meaning of its own passes."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import duckdb
import pytest
from polars.exceptions import PanicException

import rowcall
from rowcall.errors import RowcallError
from rowcall.guard import UNGUARDED, Guard
from rowcall.units import parse_quantity

DAY = date(2026, 3, 28)


def failing(error: BaseException) -> Callable[[], str]:
    def fail() -> str:
        raise error

    return fail


def run(make: Callable[[], str]) -> str:
    return Guard(DAY, isolates=True).run("B1", "rule x", make, lambda why: why)


@pytest.mark.parametrize("error", [KeyError("x"), MemoryError(), PanicException("x")])
def test_an_unexpected_failure_is_collected_with_its_traceback(
    error: BaseException, caplog: pytest.LogCaptureFixture
) -> None:
    why = run(failing(error))
    (record,) = caplog.records
    said = caplog.handler.format(record).splitlines()
    assert record.getMessage() == f"{DAY}, B1, rule x: could not be judged: {why}."
    assert record.levelname == "ERROR"
    assert said[1] == "Traceback (most recent call last):"
    assert type(error).__name__ in said[-1]


@pytest.mark.parametrize(
    "error",
    [
        RowcallError("x"),
        OSError(28, "full"),
        duckdb.IOException("full"),
        KeyboardInterrupt(),
        RuntimeError("Query interrupted"),  # a signal that came while DuckDB was at work
    ],
)
def test_what_has_a_meaning_of_its_own_passes(error: BaseException) -> None:
    with pytest.raises(type(error)):
        run(failing(error))


def test_nothing_is_held_back_without_a_log() -> None:
    with pytest.raises(KeyError):
        UNGUARDED.run("B1", "rule x", failing(KeyError("x")), lambda why: why)


def test_the_reference_is_that_of_type_place_and_version(monkeypatch: pytest.MonkeyPatch) -> None:
    def elsewhere() -> str:
        return str(parse_quantity(object(), None))  # type: ignore[arg-type]

    here = run(failing(KeyError("x")))
    assert here == run(failing(KeyError("y")))
    others = [run(failing(ValueError("x"))), run(elsewhere)]
    monkeypatch.setattr(rowcall, "__version__", "99.0", raising=False)
    others.append(run(failing(KeyError("x"))))
    assert len({here, *others}) == 4
