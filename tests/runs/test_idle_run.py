"""Nights on which nothing can have come: said again without a run, and a run after any change."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from helpers.nights.small_plant import copy_plant

import rowcall
from rowcall.cli import main
from rowcall.commands.idle_run import last_idle

pytestmark = pytest.mark.sparse_days


def run(plant: Path) -> int:
    return main(["nightly", "--site", str(plant / "site.toml"), "--settle", "0", "--quiet"])


def just_after(site_file: Path) -> datetime:
    """Return an instant on the day of the idle run that was kept."""
    kept = json.loads((site_file.parent / ".site.toml.idle").read_bytes())
    return datetime.fromtimestamp(kept["begun"], UTC)


@pytest.fixture(scope="module")
def idle(judged: Callable[[Path, int], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a plant whose last night had nothing to do."""
    plant = judged(tmp_path_factory.mktemp("idle") / "plant", 1)
    run(plant)
    return plant


def test_a_night_that_did_something_is_not_kept(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=0)
    shutil.copy(next((made / "inbox").iterdir()), plant / "inbox")
    (plant / "inbox" / "broken.csv").write_text("no export")
    for _ in range(2):
        run(plant)
        assert not (plant / ".site.toml.idle").exists()


def test_an_idle_night_is_said_again_without_a_run(
    idle: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    site_file = idle / "site.toml"
    said = last_idle(site_file, just_after(site_file))
    assert said is not None
    monkeypatch.setattr("rowcall.runs.nightly.run_nightly", lambda *_, **__: pytest.fail("ran"))
    caplog.clear()
    assert run(idle) == 3
    assert [record.getMessage() for record in caplog.records] == said.notices
    assert "No data newer than" in said.notices[0]


def _newer(path: Path) -> None:
    later = path.stat().st_mtime_ns + 1_000_000
    os.utime(path, ns=(later, later))


def _day_folder(plant: Path) -> Path:
    return next((plant / "reports").glob("????-??-??"))


@pytest.mark.parametrize(
    "change",
    [
        lambda plant: _newer(plant / "site.toml"),
        lambda plant: _newer(plant / "rowcall.duckdb"),
        lambda plant: (plant / "inbox" / "new.csv").write_text("tag,time,value\n"),
        lambda plant: _newer(next((plant / "inbox").iterdir())),
        lambda plant: next((plant / "inbox").iterdir()).unlink(),
        lambda plant: shutil.rmtree(plant / "inbox"),
        lambda plant: shutil.rmtree(_day_folder(plant)),
        lambda plant: (plant / "rowcall.duckdb").unlink(),
        lambda plant: (plant / ".site.toml.idle").write_text("{"),
        lambda plant: (plant / ".site.toml.idle").write_text("{}"),
        lambda plant: (plant / ".site.toml.idle").unlink(),
    ],
)
def test_a_night_after_a_change_is_run(
    idle: Path, tmp_path: Path, change: Callable[[Path], object]
) -> None:
    site_file = _moved(idle, tmp_path)
    now = just_after(site_file)
    assert last_idle(site_file, now) is not None
    change(site_file.parent)
    assert last_idle(site_file, now) is None
    assert not (site_file.parent / ".site.toml.idle").exists()


def test_a_night_of_another_day_or_version_is_run(
    idle: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    site_file = _moved(idle, tmp_path)
    now = just_after(site_file)
    kept = (site_file.parent / ".site.toml.idle").read_bytes()
    for at in (now + timedelta(days=1), now - timedelta(days=1)):
        assert last_idle(site_file, at) is None
        (site_file.parent / ".site.toml.idle").write_bytes(kept)
    assert last_idle(site_file, now) is not None
    monkeypatch.setattr(rowcall, "__version__", "0.0.1", raising=False)
    assert last_idle(site_file, now) is None


def test_a_copy_of_a_plant_is_run(idle: Path, tmp_path: Path) -> None:
    shutil.copytree(idle, tmp_path / "copy")
    site_file = tmp_path / "copy" / "site.toml"
    assert last_idle(site_file, just_after(site_file)) is None


def _moved(plant: Path, folder: Path) -> Path:
    """Return the site file of a plant like this one, which was idle a moment ago."""
    copied = folder / "plant"
    shutil.copytree(plant, copied)
    run(copied)
    return copied / "site.toml"
