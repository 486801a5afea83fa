"""Writing a report: complete or not at all, and no trace of runs that were killed."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from helpers import report_days

from rowcall_reports import write
from rowcall_reports.figures.picture import Picture
from rowcall_reports.write import ReportError, write_report

TABLES = {"work-orders.csv"} | {
    f"{name}.{end}" for name in ("cases", "findings") for end in ("csv", "jsonl", "parquet")
}
PICTURE = Picture("rows-BH1.png", b"\x89PNG one", "rows of BH1", "Roll call.")

PAGES = {
    f"{name}.{ending}"
    for name in ("rowcall-2026-11-24", "baghouse-BH1", "baghouse-BH2", "method")
    for ending in ("md", "html")
}


def written(folder: Path) -> Path:
    return write_report(folder, report_days.report(), (PICTURE,))


def markdown_of(folder: Path) -> str:
    return (folder / "rowcall-2026-11-24.md").read_text(encoding="utf-8")


def test_all_files_of_the_day_are_there(tmp_path: Path) -> None:
    folder = written(tmp_path / "deep" / "reports")
    assert folder == tmp_path / "deep" / "reports" / "2026-11-24"
    assert {path.name for path in folder.iterdir()} == PAGES | TABLES | {
        "mail.json",
        "rows-BH1.png",
    }
    assert all(path.is_file() for path in folder.iterdir())
    text = markdown_of(folder)
    named = re.findall(r"\]\(([^)]+\.png)\)", text)
    assert named == ["rows-BH1.png"]
    assert "![rows of BH1](rows-BH1.png)" in text
    page = (folder / "rowcall-2026-11-24.html").read_text(encoding="utf-8")
    assert 'src="rows-BH1.png"' in page


def test_report_names_no_absolute_path(tmp_path: Path) -> None:
    assert str(tmp_path) not in markdown_of(written(tmp_path))


def test_newer_report_takes_the_place_of_the_older(tmp_path: Path) -> None:
    (written(tmp_path) / "stray.txt").write_text("x")
    again = write_report(tmp_path, replace(report_days.report(), revision=2), ())
    assert "Revision 2" in markdown_of(again)
    names = {path.name for path in again.iterdir()}
    assert names == PAGES | TABLES | {"mail.json"}
    assert [path.name for path in tmp_path.iterdir()] == ["2026-11-24"]


def test_leftovers_of_a_killed_run_are_cleared(tmp_path: Path) -> None:
    for name in (".2026-11-24.partial", ".2026-11-20.partial"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "half.md").write_text("half")
    (tmp_path / ".keep.partial").mkdir()
    written(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == {"2026-11-24", ".keep.partial"}


def test_report_moved_away_by_a_killed_run_comes_back(tmp_path: Path) -> None:
    old = tmp_path / ".2026-11-20.old"
    old.mkdir()
    (old / "rowcall-2026-11-20.md").write_text("earlier")
    written(tmp_path)
    assert (tmp_path / "2026-11-20" / "rowcall-2026-11-20.md").read_text() == "earlier"
    assert not old.exists()


def test_failure_while_building_leaves_the_older_report(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = markdown_of(written(tmp_path))
    monkeypatch.setattr(Path, "write_bytes", _refuse(OSError(28, "No space left on device")))
    with pytest.raises(ReportError, match=r"2026-11-24.*No space left"):
        write_report(tmp_path, replace(report_days.report(), revision=2), ())
    monkeypatch.undo()
    report = tmp_path / "2026-11-24" / "rowcall-2026-11-24.md"
    assert report.read_text(encoding="utf-8") == before


def test_folder_held_open_for_a_moment_is_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(write, "_PAUSES_S", (0.0, 0.0))
    rename, failures = Path.rename, iter([PermissionError(13, "in use"), None])

    def held_once(self: Path, target: Path) -> Path:
        error = next(failures, None)
        if error is not None:
            raise error
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", held_once)
    assert markdown_of(written(tmp_path))


def test_folder_held_open_for_long_brings_the_older_report_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = markdown_of(written(tmp_path))
    monkeypatch.setattr(write, "_PAUSES_S", (0.0,))
    rename = Path.rename

    def held(self: Path, target: Path) -> Path:
        if self.name.endswith(".partial"):
            raise PermissionError(13, "in use")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", held)
    with pytest.raises(ReportError, match="in use"):
        write_report(tmp_path, replace(report_days.report(), revision=2), ())
    report = tmp_path / "2026-11-24" / "rowcall-2026-11-24.md"
    assert report.read_text(encoding="utf-8") == before


def test_folder_that_cannot_be_made_is_a_plain_error(tmp_path: Path) -> None:
    (tmp_path / "reports").write_text("a file")
    with pytest.raises(ReportError, match="cannot be written"):
        written(tmp_path / "reports")


def test_same_day_gives_same_files(tmp_path: Path) -> None:
    one, two = written(tmp_path / "a"), written(tmp_path / "b")
    for path in one.iterdir():
        assert path.read_bytes() == (two / path.name).read_bytes()


def _refuse(error: OSError) -> Callable[..., int]:
    def refuse(self: Path, data: bytes) -> int:
        raise error

    return refuse
