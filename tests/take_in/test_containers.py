"""Packed exports, archives of exports, and exports in folders of the inbox."""

from __future__ import annotations

import gzip
import hashlib
import zipfile
from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa
import pytest
from helpers.exports import (
    NOW,
    counts,
    expected,
    long_csv,
    plant_site,
    samples,
    store_of,
    stored,
    take,
    taken,
)
from pydantic import ValidationError

from rowcall.site import TakeIn
from rowcall.take_in import Outcome, TakenIn, find_exports, take_in

ROWS = samples(30)
TEXT = long_csv(ROWS).encode()


def zstd(content: bytes) -> bytes:
    packed: bytes = pa.compress(content, codec="zstd", asbytes=True)
    return packed


def archive(path: Path, members: Mapping[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in members.items():
            packed.writestr(name, content)
    return path


def taken_from(folder: Path, path: Path) -> list[TakenIn]:
    with store_of(folder) as store:
        return take(store, path)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("day.csv.gz", gzip.compress(TEXT)),
        ("day.csv.zst", zstd(TEXT)),
        ("day.csv.gz", gzip.compress(TEXT[:500]) + gzip.compress(TEXT[500:])),
        ("day.csv.zst", zstd(TEXT[:500]) + zstd(TEXT[500:])),
        ("day.csv", zstd(TEXT)),  # told by the content, whatever the name says
    ],
)
def test_a_packed_export_is_unpacked(tmp_path: Path, name: str, content: bytes) -> None:
    result = taken(tmp_path, content, name)
    assert result.outcome is Outcome.STORED, result.message
    assert result.note is not None
    assert result.note.sha256 == hashlib.sha256(content).hexdigest()
    assert stored(tmp_path) == expected(ROWS)


@pytest.mark.parametrize("content", [zstd(TEXT)[:-4], b"\x28\xb5\x2f\xfdnonsense"])
def test_damaged_zstandard_is_refused(tmp_path: Path, content: bytes) -> None:
    result = taken(tmp_path, content, "day.csv.zst")
    assert result.outcome is Outcome.REFUSED
    assert "Zstandard data is damaged or cut off" in result.message


def test_every_member_of_an_archive_is_an_export_of_its_own(tmp_path: Path) -> None:
    one, two = samples(20, ("DP",)), samples(10, ("PT",))
    path = archive(
        tmp_path / "week.zip",
        {
            "mon.csv": long_csv(one).encode(),
            "deep/tue.csv.gz": gzip.compress(long_csv(two).encode()),
            "wed.csv": b"",
            "readme.md": b"# words",
            "__MACOSX/mon.csv": b"x",
        },
    )
    first, second, third = taken_from(tmp_path, path)
    assert (counts(first)[1], counts(second)[1]) == (20, 10)
    assert first.note is not None
    assert second.note is not None
    assert (first.note.name, second.note.name) == ("week.zip/mon.csv", "week.zip/deep/tue.csv.gz")
    assert first.note.sha256 == hashlib.sha256(long_csv(one).encode()).hexdigest()
    assert third.outcome is Outcome.REFUSED
    assert third.message.startswith("week.zip/wed.csv: the file is empty")
    assert stored(tmp_path) == expected([*one, *two])
    again = [result.outcome for result in taken_from(tmp_path, path)]
    assert again == [Outcome.KNOWN, Outcome.KNOWN, Outcome.REFUSED]


def test_a_member_known_as_a_file_is_not_taken_in_twice(tmp_path: Path) -> None:
    taken(tmp_path, TEXT, "day.csv")
    (result,) = taken_from(tmp_path, archive(tmp_path / "day.zip", {"same.csv": TEXT}))
    assert result.outcome is Outcome.KNOWN


def test_an_archive_within_an_archive_is_refused_and_the_rest_goes_on(tmp_path: Path) -> None:
    inner = archive(tmp_path / "inner.zip", {"a.csv": TEXT})
    path = archive(tmp_path / "outer.zip", {"b.zip": inner.read_bytes(), "c.csv": TEXT})
    nested, plain = taken_from(tmp_path, path)
    assert nested.outcome is Outcome.REFUSED
    assert nested.message.startswith("outer.zip/b.zip: an archive within an archive")
    assert plain.outcome is Outcome.STORED


def test_a_locked_member_is_refused(tmp_path: Path) -> None:
    path = archive(tmp_path / "day.zip", {"day.csv": TEXT})
    raw = bytearray(path.read_bytes())
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        raw[raw.index(mark) + place] |= 1  # the flag of encrypted members
    path.write_bytes(raw)
    (result,) = taken_from(tmp_path, path)
    assert "password" in result.message


@pytest.mark.parametrize(
    ("cut", "said"), [(-10, "zip archive is damaged"), (3, "zip archive is damaged")]
)
def test_a_damaged_archive_is_refused(tmp_path: Path, cut: int, said: str) -> None:
    path = archive(tmp_path / "day.zip", {"day.csv": TEXT})
    path.write_bytes(path.read_bytes()[:cut])
    (result,) = taken_from(tmp_path, path)
    assert result.outcome is Outcome.REFUSED
    assert said in result.message


def test_a_member_with_damaged_content_is_refused(tmp_path: Path) -> None:
    path = archive(
        tmp_path / "day.zip", {"day.csv": TEXT, "other.csv": long_csv(ROWS[:4]).encode()}
    )
    raw = bytearray(path.read_bytes())
    raw[120] ^= 0xFF
    path.write_bytes(raw)
    first, second = taken_from(tmp_path, path)
    assert first.outcome is Outcome.REFUSED
    assert first.message.startswith("day.zip/day.csv: the archive is damaged here")
    assert second.outcome is Outcome.STORED


def test_an_archive_under_another_name_is_told(tmp_path: Path) -> None:
    raw = archive(tmp_path / "day.zip", {"day.csv": TEXT}).read_bytes()
    assert "this is a zip archive" in taken(tmp_path, raw, "day.csv").message


def test_an_archive_without_exports_is_refused(tmp_path: Path) -> None:
    (result,) = taken_from(tmp_path, archive(tmp_path / "day.zip", {"notes.md": b"x"}))
    assert "holds no export" in result.message


def inbox(folder: Path) -> Path:
    for name in ("b.csv", "2026/03/a.csv", "2026/03/c.parquet", ".trash/d.csv", "2026/e.csv.part"):
        path = folder / "inbox" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(TEXT)
    return folder / "inbox"


@pytest.mark.parametrize(
    ("patterns", "wanted"),
    [
        ((), ["2026/03/a.csv", "2026/03/c.parquet", "b.csv"]),
        (("*.csv",), ["b.csv"]),
        (("**/*.parquet", "b.*"), ["2026/03/c.parquet", "b.csv"]),
        (("2025/*",), []),
    ],
)
def test_folders_of_the_inbox_are_searched(
    tmp_path: Path, patterns: tuple[str, ...], wanted: list[str]
) -> None:
    folder = inbox(tmp_path)
    found = [path.relative_to(folder).as_posix() for path in find_exports(folder, patterns)]
    assert found == wanted


@pytest.mark.parametrize("pattern", ["/x/*.csv", "../*.csv", "a/../b.csv", "C:/*.csv", "**.csv"])
def test_a_pattern_that_leads_out_of_the_inbox_is_an_error(pattern: str) -> None:
    with pytest.raises(ValidationError):
        TakeIn(files=(pattern,))


def test_an_export_in_a_folder_is_told_by_its_path(tmp_path: Path) -> None:
    folder = inbox(tmp_path)
    site = plant_site().model_copy(update={"base": tmp_path})
    told: list[str] = []
    with store_of(tmp_path) as store:
        paths = find_exports(folder, ("**/*.csv",))
        first, second = take_in(store, site, paths, now=NOW, progress=told.append)
    assert first.note is not None
    assert first.note.name == "2026/03/a.csv"
    assert second.outcome is Outcome.KNOWN
    assert "taking in 2026/03/a.csv" in told


def test_one_file_a_tag_works(tmp_path: Path) -> None:
    rows = samples(12, tuple(f"T{number:02d}" for number in range(12)))
    for tag in {row[0] for row in rows}:
        text = long_csv(row for row in rows if row[0] == tag)
        (tmp_path / f"{tag}.csv").write_text(text, encoding="utf-8")
    with store_of(tmp_path) as store:
        results = take(store, *find_exports(tmp_path))
    assert {result.outcome for result in results} == {Outcome.STORED}
    assert stored(tmp_path) == expected(rows)
