"""`rowcall set-aside`: counted, narrowed down, and exported without harm to a spreadsheet."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from helpers.exports import STORE, open_store, taken
from helpers.site_texts import SITE

from rowcall.cli import main

BEGIN = "tag,time,value\nDP,2026-03-02T05:00:00Z,1\n"


@pytest.fixture
def site(tmp_path: Path) -> str:
    """Return the path of a site file whose store holds rows set aside from two exports."""
    open_store(tmp_path / STORE).close()
    taken(tmp_path, BEGIN + "DP,2026-03-02T05:00:10Z,twelve\nDP,soon,2\n", "monday.csv")
    taken(tmp_path, BEGIN + "=1+1,2026-03-02T05:00:10Z,twelve\nDP,later,2\n", "tuesday.csv")
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    return str(tmp_path / "site.toml")


@pytest.mark.parametrize(
    ("filters", "rows"),
    [
        ([], {("monday", "value"), ("monday", "time"), ("tuesday", "value"), ("tuesday", "time")}),
        (["--file", "Monday"], {("monday", "value"), ("monday", "time")}),
        (["--reason", "NUMBER"], {("monday", "value"), ("tuesday", "value")}),
        (["--file", "tues", "--reason", "time"], {("tuesday", "time")}),
        (["--file", "%"], set()),
    ],
)
def test_rows_are_counted_and_exported_by_file_and_reason(
    site: str,
    tmp_path: Path,
    filters: list[str],
    rows: set[tuple[str, str]],
    capsys: pytest.CaptureFixture[str],
) -> None:
    target = tmp_path / "aside.csv"
    assert main(["set-aside", "--site", site, "--to", str(target), *filters]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[-1].split() == f"{len(rows)} rows set aside in all".split()
    assert len(out) == len(rows) + 1
    with target.open(encoding="utf-8", newline="") as file:
        exported = list(csv.DictReader(file))
    assert {(row["file"].removesuffix(".csv"), row["column"]) for row in exported} == rows


def test_a_row_is_exported_with_file_line_column_text_and_reason(site: str, tmp_path: Path) -> None:
    target = tmp_path / "aside.csv"
    main(["set-aside", "--site", site, "--to", str(target), "--file", "tuesday"])
    with target.open(encoding="utf-8", newline="") as file:
        first = next(csv.DictReader(file))
    assert first == {
        "file": "tuesday.csv",
        "line": "3",
        "column": "value",
        "raw": "'=1+1,2026-03-02T05:00:10Z,twelve",
        "reason": "the value is neither a number nor a word for a bad sensor",
    }


def test_a_file_that_is_there_is_not_overwritten(
    site: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "aside.csv"
    target.write_text("mine", encoding="utf-8")
    assert main(["set-aside", "--site", site, "--to", str(target)]) == 2
    assert "already there" in capsys.readouterr().err
    assert target.read_text(encoding="utf-8") == "mine"
