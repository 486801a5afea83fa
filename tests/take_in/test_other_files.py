"""Zero bytes, spreadsheets, and Parquet under another name."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import polars as pl
import pytest
from helpers.exports import START, aside, expected, long_csv, samples, stored, taken

from rowcall.take_in import Outcome, find_exports
from rowcall.take_in.read.text_tables import ZEROS

ROWS = samples(30)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
@pytest.mark.parametrize("place", [2, 20, 60])
def test_a_line_with_zero_bytes_is_set_aside_alone(
    tmp_path: Path, encoding: str, place: int
) -> None:
    lines = long_csv(ROWS).splitlines()
    lines[place] = lines[place][:5] + "\0" * 40
    result = taken(tmp_path, ("\n".join(lines) + "\n").encode(encoding))
    assert result.outcome is Outcome.STORED, result.message
    assert stored(tmp_path) == expected([*ROWS[: place - 1], *ROWS[place:]])
    ((line, *_, raw, reason),) = aside(tmp_path)
    assert (line, raw.isprintable()) == (place + 1, True)
    assert reason in (ZEROS, "the line has 2 fields instead of 4")


def test_zeros_behind_the_last_line(tmp_path: Path) -> None:
    taken(tmp_path, long_csv(ROWS).encode() + bytes(4096))
    assert stored(tmp_path) == expected(ROWS)
    assert [line for line, *_ in aside(tmp_path)] == [62]


def test_a_spreadsheet_is_named_with_what_to_do(tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("[Content_Types].xml", "<Types/>")
        archive.writestr("xl/workbook.xml", "<workbook/>")
    for name in ("day.xlsx", "day.csv"):
        result = taken(tmp_path, packed.getvalue(), name)
        assert result.outcome is Outcome.REFUSED
        assert f"{name}: this is a spreadsheet" in result.message
        assert "save it as CSV" in result.message
    assert "spreadsheet" in taken(tmp_path, b"\xd0\xcf\x11\xe0" + bytes(600), "old.csv").message
    assert {path.name for path in find_exports(tmp_path)} == {"day.csv", "day.xlsx", "old.csv"}


def test_parquet_under_another_name_is_read(tmp_path: Path) -> None:
    made = io.BytesIO()
    pl.DataFrame({"time": [START], "DP": [1.5]}).write_parquet(made)
    assert taken(tmp_path, made.getvalue(), "day.csv").outcome is Outcome.STORED


def test_a_clock_of_its_own_without_seconds(tmp_path: Path) -> None:
    rows = [f"02.03.2026;{n // 60}:{n % 60:02d};{n}" for n in range(90)]
    taken(tmp_path, "\n".join(["Date;Time;DP", *rows, ""]))
    assert len(stored(tmp_path)) == 90
