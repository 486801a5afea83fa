"""A disk that is full or may not be written costs the night, and nothing but the night."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest
from filelock import FileLock
from helpers.nights.night_runs import night, with_mail
from helpers.nights.small_plant import copy_plant
from soak.disk import full_disk, read_only
from soak.portrait import Portrait, differences, portrait

from rowcall.cli import Exit, main
from rowcall.errors import CutShortError, RowcallError, StoreError
from rowcall.runs import nightly, record
from rowcall.store import Store
from rowcall.store.results import save_day
from rowcall_reports.write import ReportError

pytestmark = pytest.mark.sparse_days


@pytest.fixture(scope="module")
def wanted(
    judged: Callable[[Path, int], Path], tmp_path_factory: pytest.TempPathFactory
) -> Portrait:
    return portrait(judged(tmp_path_factory.mktemp("undisturbed") / "plant", 1))


@pytest.fixture
def plant(made: Path, tmp_path: Path) -> Path:
    return copy_plant(made, tmp_path / "plant", days=1)


@pytest.mark.parametrize(
    ("n_bytes", "match"),
    [
        (4096, r"the store cannot be opened \(.*too large"),  # while the store is made
        (30_000, r"nothing of F1_2026-03-28\.parquet was stored.*too large.*disk has room"),
    ],
)
def test_full_at_take_in(plant: Path, wanted: Portrait, n_bytes: int, match: str) -> None:
    with full_disk() as fill:
        fill(n_bytes)
        with pytest.raises(StoreError, match=match):
            night(plant)
    night(plant)
    assert differences(portrait(plant), wanted) == []


@pytest.mark.parametrize(
    ("step", "error", "match"),
    [
        ("write_pictured", ReportError, "cannot be written.*has space"),
        ("save_day", StoreError, "results of 2026-03-28 could not be kept.*disk has room"),
    ],
)
def test_full_later_in_the_night(
    plant: Path,
    wanted: Portrait,
    monkeypatch: pytest.MonkeyPatch,
    step: str,
    error: type[RowcallError],
    match: str,
) -> None:
    with full_disk() as fill, monkeypatch.context() as patch:
        do = getattr(record, step)

        def do_on_a_full_disk(*given: Any) -> Any:
            fill(10_000)
            return do(*given)

        patch.setattr(record, step, do_on_a_full_disk)
        with pytest.raises(CutShortError, match=match) as stopped:
            night(plant)
    assert isinstance(stopped.value.__cause__, error)
    night(plant)
    assert differences(portrait(plant), wanted) == []


COMMAND = ["nightly", "--settle", "0", "--site"]


def test_full_after_some_days_are_reported(
    made: Path,
    judged: Callable[[Path, int], Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What is done is listed and kept, and the exit code does not say that nothing was."""
    plant = copy_plant(made, tmp_path / "plant", days=2)
    undisturbed = judged(tmp_path / "undisturbed", 2)
    with full_disk() as fill, monkeypatch.context() as patch:
        do, days = save_day, list[Any]()

        def do_on_a_disk_that_fills(*given: Any) -> Any:
            days.append(given[1])
            if len(days) == 2:
                fill(10_000)
            return do(*given)

        patch.setattr(record, "save_day", do_on_a_disk_that_fills)
        assert main([*COMMAND, str(plant / "site.toml")]) == Exit.CUT_SHORT
    told = capsys.readouterr()
    assert told.out.split() == [str(plant / "reports" / "2026-03-28")]
    assert "results of 2026-03-29 could not be kept" in told.err
    night(plant)
    assert differences(portrait(plant), portrait(undisturbed)) == []


def test_full_at_the_first_step_is_nothing_done(
    plant: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with full_disk() as fill:
        fill(4096)
        assert main([*COMMAND, str(plant / "site.toml")]) == Exit.NOT_DONE
    assert "Traceback" not in capsys.readouterr().err


def test_a_store_that_fails_while_days_are_looked_up(
    plant: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object) -> None:
        raise duckdb.IOException("IO Error: could not read from file")

    monkeypatch.setattr(nightly, "judged_days", fail)
    assert main([*COMMAND, str(plant / "site.toml")]) == Exit.CUT_SHORT
    told = capsys.readouterr().err
    assert "the store could not be read or written (IO Error" in told


@pytest.mark.parametrize(("step", "code"), [("hold_site", 2), ("judge_day", 6)])
def test_a_file_that_fails_where_nobody_looks_for_it(
    plant: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    step: str,
    code: int,
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError(5, "Input/output error", "fonts.json")

    monkeypatch.setattr(nightly if step == "hold_site" else record, step, fail)
    assert main([*COMMAND, str(plant / "site.toml")]) == code
    assert (
        "fonts.json: it cannot be read or written (Input/output error)" in capsys.readouterr().err
    )


def test_a_report_that_cannot_be_read_for_mailing(
    plant: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise OSError(5, "Input/output error")

    with_mail(plant, 25)
    monkeypatch.setattr("rowcall.runs.mailing.letters.report_letter", fail)
    told, of_notices = night(plant).not_mailed
    assert "The notice of 2026-03-31 could not be mailed" in of_notices
    assert "the report of 2026-03-28 cannot be read (Input/output error)" in told


def test_full_for_the_store_s_last_tidying_up(
    plant: Path, wanted: Portrait, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What does not fit into the file stays in the log beside it and is not lost.

    The disk fills just as the store is closed: how much is written before that varies.
    """
    close = Store.close
    with full_disk() as fill, monkeypatch.context() as patch:

        def close_on_a_full_disk(store: Store) -> None:
            fill(10_000)
            close(store)

        patch.setattr(Store, "close", close_on_a_full_disk)
        night(plant)
    assert (plant / "rowcall.duckdb.wal").exists()
    assert night(plant).reports == []
    assert differences(portrait(plant), wanted) == []


def test_reports_folder_that_may_not_be_written(
    plant: Path, wanted: Portrait, monkeypatch: pytest.MonkeyPatch
) -> None:
    reports = plant / "reports"
    reports.mkdir()
    with read_only(reports, monkeypatch, Path, "mkdir"):
        with pytest.raises(CutShortError, match="Check that the folder may be written to"):
            night(plant)
        assert list(reports.iterdir()) == []
    night(plant)
    assert differences(portrait(plant), wanted) == []


def test_store_folder_that_may_not_be_written(
    plant: Path, wanted: Portrait, monkeypatch: pytest.MonkeyPatch
) -> None:
    with read_only(plant, monkeypatch, FileLock, "acquire"):
        with pytest.raises(StoreError, match="lock file beside the store cannot be written"):
            night(plant)
        assert {path.name for path in plant.iterdir()} == {"inbox", "site.toml"}
    night(plant)
    assert differences(portrait(plant), wanted) == []


def test_inbox_that_cannot_be_listed(
    plant: Path, wanted: Portrait, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(folder: Path, *_: object) -> list[Path]:
        raise OSError(5, "Input/output error", str(folder))

    with monkeypatch.context() as patch:
        patch.setattr(nightly, "find_exports", gone)
        assert any("cannot be listed (Input/output error)" in text for text in night(plant).notices)
    night(plant)
    assert differences(portrait(plant), wanted) == []
