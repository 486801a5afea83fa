"""The command that writes the sheets of a planned stop, from nights that were judged."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers.nights.night_runs import tree

from rowcall.cli import main


@pytest.fixture(scope="module")
def plant(judged: Callable[[Path, int], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return judged(tmp_path_factory.mktemp("judged") / "plant", 3)


def sheet(plant: Path, out: Path, *more: str) -> int:
    return main(["outage-sheet", "--site", str(plant / "site.toml"), "--to", str(out), *more])


def test_what_the_nights_found_stands_in_the_sheet(plant: Path, tmp_path: Path) -> None:
    before = tree(plant / "reports"), (plant / "rowcall.duckdb").read_bytes()
    assert sheet(plant, tmp_path / "out") == 0
    text = (tmp_path / "out" / "outage-F1-2026-03-30.md").read_text(encoding="utf-8")
    assert "- **Compartment 1, row 2, next outage:** Valve of a row" in text
    assert "Since 28 Mar." in text
    assert "1 x coil of a solenoid" in text
    assert "Export older days as well, or wait" in text
    assert (tree(plant / "reports"), (plant / "rowcall.duckdb").read_bytes()) == before


def test_bags_of_the_work_log_get_a_page_with_its_pictures(plant: Path, tmp_path: Path) -> None:
    own = tmp_path / "plant"
    shutil.copytree(plant, own)
    text = (own / "site.toml").read_text(encoding="utf-8")
    named = text.replace("[folders]", '[folders]\nwork_log = "log.csv"')
    (own / "site.toml").write_text(named, encoding="utf-8")
    log = "time,baghouse,compartment,row,position,work,result\n2026-03-02,F1,1,2,5,dye test,glows\n"
    (own / "log.csv").write_text(log, encoding="utf-8")
    assert sheet(own, tmp_path / "out", "--day", "2026-03-29") == 0
    names = {path.name for path in (tmp_path / "out").iterdir()}
    page = {f"bag-life-F1-2026-03-29.{ending}" for ending in ("md", "html", "csv")}
    assert page | {"leaks-F1-2026-03-29.png"} <= names
    assert (tmp_path / "out" / "leaks-F1-2026-03-29.png").read_bytes().startswith(b"\x89PNG")


def test_it_is_as_of_the_end_of_a_day(plant: Path, tmp_path: Path) -> None:
    assert sheet(plant, tmp_path, "--day", "2026-03-29", "--baghouse", "F1") == 0
    assert {path.name for path in tmp_path.glob("*.md")} == {
        "outage-F1-2026-03-29.md",
        "return-F1-2026-03-29.md",
    }


def test_sheets_that_people_may_have_filled_in_are_not_overwritten(
    plant: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert sheet(plant, tmp_path) == 0
    (tmp_path / "outage-F1-2026-03-30.md").write_text("filled in", encoding="utf-8")
    assert sheet(plant, tmp_path) == 2
    assert "not overwritten; name another folder with --to" in capsys.readouterr().err
    assert (tmp_path / "outage-F1-2026-03-30.md").read_text(encoding="utf-8") == "filled in"


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--baghouse", "F9"), "--baghouse F9: the site file has no such one; allowed: F1."),
        (("--day", "2026-04-30"), "judged are days from 2026-03-28 to 2026-03-30."),
    ],
)
def test_what_is_not_there_is_named(
    plant: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    more: tuple[str, ...],
    said: str,
) -> None:
    assert sheet(plant, tmp_path / "out", *more) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
