"""Shared by all tests: nothing of the machine's own settings leaks in."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers import threads  # noqa: F401  before all that reads it
from helpers.events_once import finding_once
from helpers.nights.shared import common, made_once
from helpers.nights.small_plant import make_small_plant, make_sparse_plant
from hypothesis import settings

from rowcall.runs import study

# The same examples every time, and no verdict on speed: that is what the benchmarks are for.
settings.register_profile("rowcall", deadline=None, derandomize=True)
settings.load_profile("rowcall")

# Begun first, so that no test process is left alone with one of them at the end.
LONGEST = (
    "test_demo.py",
    "test_air.py",
    "test_healthy.py",
    "test_interrupted.py",
    "test_notices.py",
    "test_slow_header_recovery.py",
    "test_fuzz.py",
    "test_pooled_days.py",
    "test_header_leak.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; the order of all else stays."""
    rank = {name: place for place, name in enumerate(LONGEST)}
    items.sort(key=lambda item: rank.get(item.path.name, len(rank)))


def pytest_collection_finish() -> None:
    """Keep what was imported out of each collection of garbage: a tenth of all time."""
    gc.freeze()


@pytest.fixture(autouse=True)
def _no_mail_secrets(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep a developer's own mail settings out of the tests."""
    for name in ("ROWCALL_SMTP_USER", "ROWCALL_SMTP_PASSWORD", "ROWCALL_SMTP_CA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("SSL_CERT_FILE", os.devnull)  # authorities of the machine take long to load


@pytest.fixture(autouse=True)
def _one_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let runs do all in the test's own process, save where they are given workers."""
    monkeypatch.setattr("rowcall.runs.parallel.ahead.usual_workers", lambda store: 1)


@pytest.fixture(scope="module", autouse=True)
def _events_found_once(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """Find events of the same signals once in all processes of this run, save where marked."""
    folder = common(tmp_path_factory) / "events"
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        if request.node.get_closest_marker("finds_each_time") is None:
            patch.setattr(study, "_events", finding_once(folder))
        if sys.dont_write_bytecode:  # all the same, processes of tests compile each module once
            patch.setenv("PYTHONPYCACHEPREFIX", str(folder.with_name("bytecode")))
            patch.delenv("PYTHONDONTWRITEBYTECODE", raising=False)
        yield


@pytest.fixture(scope="module")
def made(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a small plant before its first night; tests work on copies of it."""
    if request.node.get_closest_marker("sparse_days"):
        return made_once(tmp_path_factory, "sparse-plant", make_sparse_plant)
    return made_once(tmp_path_factory, "small-plant", make_small_plant)
