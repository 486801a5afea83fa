"""The columns of a wide export: tags, their qualities, and what is neither."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from helpers.exports import NOW, aside, counts, samples, stored, taken

from rowcall.look import look_at
from rowcall.site import TakeIn
from rowcall.take_in import Outcome

ROWS = samples(40)
TIME = "2026-03-02T05:00:00Z"


def _frame() -> pl.DataFrame:
    return pl.DataFrame(ROWS, schema=["tag", "time", "value", "quality"], orient="row")


def test_a_pinned_wide_layout_takes_any_column_as_a_tag(tmp_path: Path) -> None:
    taken(tmp_path, "time,value\n2026-03-02T05:00:00Z,1.5\n", pins=TakeIn(layout="wide"))
    assert [(row[0], row[2]) for row in stored(tmp_path)] == [("value", 1.5)]


def test_wide_quality_columns_belong_to_their_tag(tmp_path: Path) -> None:
    text = "time,DP,DP quality,PT,PT_Status\n2026-03-02T05:00:00Z,1.5,Bad,6.0,Good\n"
    taken(tmp_path, text)
    assert [(row[0], row[2], row[3]) for row in stored(tmp_path)] == [
        ("DP", 1.5, 2),
        ("PT", 6.0, 0),
    ]


@pytest.mark.parametrize(
    "name",
    [
        "DP quality code",
        "DP (Quality)",
        "DP [status]",
        "DP: quality",
        "DP.Status Code",
        "DP - validity",
        "DPStatus",
        "Quality DP",
        "Status: DP",
        "status",
        "DP.Q",
        "DP_Güte",
    ],
)
@pytest.mark.parametrize("tag", ["DP", "Öfen °C"])
def test_a_quality_column_is_never_a_tag(tmp_path: Path, name: str, tag: str) -> None:
    header = f"time,{tag},{name.replace('DP', tag)},PT\n"
    taken(tmp_path, header + f"{TIME},1.5,Good,6.0\n{TIME[:-3]}1Z,1.5,Bad,6.0\n")
    assert {(row[0], row[3]) for row in stored(tmp_path)} == {(tag, 0), (tag, 2), ("PT", 0)}
    assert aside(tmp_path) == []


def test_of_two_quality_columns_the_first_counts(tmp_path: Path) -> None:
    taken(
        tmp_path, f"time,DP,DP quality,DP status,PT,status,quality\n{TIME},1,Bad,Good,2,Good,Bad\n"
    )
    assert [(row[0], row[3]) for row in stored(tmp_path)] == [("DP", 2), ("PT", 0)]
    assert aside(tmp_path) == []


def test_a_tag_of_a_status_alone_stays_a_tag(tmp_path: Path) -> None:
    taken(tmp_path, f"time,Fan Status,DP.Q,PT\n{TIME},1,2,3\n")
    assert [row[0] for row in stored(tmp_path)] == ["DP.Q", "Fan Status", "PT"]


@pytest.mark.parametrize(
    "kind", [pl.Datetime("us", "UTC"), pl.Datetime("ns"), pl.Date, pl.Time, pl.String]
)
@pytest.mark.parametrize("is_empty_at_first", [False, True])
def test_further_times_in_a_wide_export_are_no_tag(
    tmp_path: Path, kind: pl.DataType, is_empty_at_first: bool
) -> None:
    frame = _frame().pivot("tag", index="time", values="value")
    text = pl.col("time").dt.to_string("%Y-%m-%d %H:%M:%S")
    written = pl.col("time").cast(kind) if kind != pl.String else text
    if is_empty_at_first and kind != pl.String:
        frame = pl.concat(
            [frame.with_columns(pl.col("time") - pl.duration(days=d)) for d in range(8, -1, -1)]
        )
        written = pl.when(pl.col("time") < pl.col("time").max()).then(None).otherwise(written)
    path = tmp_path / "written.parquet"
    frame.with_columns(written.alias("received")).write_parquet(path)
    result = taken(tmp_path, path.read_bytes(), "day.parquet")
    assert result.outcome is Outcome.STORED, result.message
    assert {row[0] for row in stored(tmp_path)} == {"DP", "PT"}
    assert len(stored(tmp_path)) == 2 * frame.height
    (looked,) = look_at(tmp_path / "day.parquet", TakeIn(), ZoneInfo("UTC"), NOW)
    assert "'received'" in dict(looked.written)["left out"]


def test_further_times_in_text_are_no_tag(tmp_path: Path) -> None:
    result = taken(tmp_path, f"time,received,DP\n{TIME},2026-03-02 05:00:07,1.5\n")
    assert counts(result) == (1, 1, 0, 0, 0)


@pytest.mark.parametrize("first", [0, 1, 7])
def test_row_numbers_in_a_first_column_without_a_name_are_left_out(
    tmp_path: Path, first: int
) -> None:
    rows = [f"{first + n},2026-03-02 05:00:0{n}Z,{n}.5" for n in range(9)]
    result = taken(tmp_path, "\n".join([",time,DP", *rows, ""]))
    assert result.outcome is Outcome.STORED, result.message
    assert [(tag, value) for tag, _, value, _ in stored(tmp_path)] == [
        ("DP", n + 0.5) for n in range(9)
    ]


def test_a_first_column_without_a_name_may_hold_the_times(tmp_path: Path) -> None:
    rows = [f"2026-03-02 05:00:0{n}Z,{n}.5,7" for n in range(9)]
    result = taken(tmp_path, "\n".join([",DP,PT", *rows, ""]))
    assert result.outcome is Outcome.STORED, result.message
    assert {tag for tag, *_ in stored(tmp_path)} == {"DP", "PT"}


def test_numbers_in_a_column_without_a_name_that_do_not_count_rows_are_refused(
    tmp_path: Path,
) -> None:
    rows = [f"{n * n},2026-03-02 05:00:0{n}Z,{n}.5" for n in range(9)]
    assert "column 1 holds values" in taken(tmp_path, "\n".join([",time,DP", *rows, ""])).message
