"""Archives, folders and patterns: each export in them is looked at, and drafted from."""

from __future__ import annotations

import gzip
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers.exports import long_csv, samples, wide_csv

from rowcall.cli import main
from rowcall.draft import draft_site
from rowcall.errors import ExportError

DP, PT = (samples(30, tags=(tag,)) for tag in ("BH1.PDT-100", "BH1.PT-110"))


def in_folder(folder: Path) -> Path:
    (folder / "in" / "2026").mkdir(parents=True)
    (folder / "in" / "2026" / "a.csv").write_text(long_csv(DP), encoding="utf-8")
    (folder / "in" / "b.csv.gz").write_bytes(gzip.compress(wide_csv(PT).encode()))
    (folder / "in" / "notes.md").write_text("no export", encoding="utf-8")
    (folder / "in" / "c.csv.part").write_text("not yet one", encoding="utf-8")
    return folder / "in"


def in_archive(folder: Path) -> Path:
    with zipfile.ZipFile(folder / "both.zip", "w") as archive:
        archive.writestr("2026/a.csv", long_csv(DP))
        archive.writestr("b.csv", wide_csv(PT))
    return folder / "both.zip"


def in_pattern(folder: Path) -> Path:
    return in_folder(folder) / "**" / "*.csv*"


SOURCES = pytest.mark.parametrize("source", [in_folder, in_archive, in_pattern])


@SOURCES
def test_each_export_is_looked_at(
    tmp_path: Path, source: Callable[[Path], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["look", str(source(tmp_path))]) == 0
    out = capsys.readouterr().out
    assert out.count("[take_in]") == 2
    for name, tag in (("a.csv", "BH1.PDT-100"), ("b.csv", "BH1.PT-110")):
        assert name in out.split(tag)[0]


@SOURCES
def test_a_site_file_is_drafted_from_all_of_them(
    tmp_path: Path, source: Callable[[Path], Path]
) -> None:
    target = tmp_path / "site.toml"
    assert main(["new-site", str(source(tmp_path)), "--to", str(target)]) == 0
    text = target.read_text(encoding="utf-8")
    assert '"BH1.PDT-100"' in text
    assert '"BH1.PT-110"' in text
    assert main(["look", "--site", str(target), str(tmp_path)]) == 0


def test_what_cannot_be_read_is_named_and_the_others_are_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with zipfile.ZipFile(tmp_path / "three.zip", "w") as archive:
        for name, text in (("a.csv", long_csv(DP)), ("b.csv", ""), ("c.csv", long_csv(PT))):
            archive.writestr(name, text)
    assert main(["look", str(tmp_path)]) == 2
    told = capsys.readouterr()
    assert "three.zip/b.csv: the file is empty" in told.err
    assert told.out.count("[take_in]") == 2
    assert "three.zip/c.csv" in told.out


@pytest.mark.parametrize("name", ["", "*.csv", "gone.csv"])
def test_where_there_is_none_it_is_said(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["look", str(tmp_path / name)]) == 2
    assert str(tmp_path / name) in capsys.readouterr().err
    with pytest.raises(ExportError):
        draft_site(tmp_path / name)


def test_gaps_bad_values_and_sampling_of_each_tag_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [f"2026-03-02T{n // 60:02d}:{n % 60:02d}:00Z,DP,{n}.5,Good" for n in range(0, 300, 5)]
    lines[7] = lines[7].replace("Good", "Bad")
    lines[9] = lines[9].replace("Good", "Uncertain")
    del lines[20:32]
    path = tmp_path / "day.csv"
    path.write_text("\n".join(["time,tag,value,quality", *lines]), encoding="utf-8")
    assert main(["look", str(path)]) == 0
    rows = [line.split() for line in capsys.readouterr().out.splitlines()]
    (tag,) = (row for row in rows if row[:1] == ["DP"])
    assert tag[1:11] == ["48", "5", "min", "at", "intervals", "65", "min", "1", "1", "0.5"]
