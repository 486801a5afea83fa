"""Exports of every layout, delimiter, encoding and file kind store the same samples."""

from __future__ import annotations

import gzip
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from helpers.exports import aside, expected, long_csv, samples, stored, taken, wide_csv

from rowcall.site import TakeIn
from rowcall.take_in import Outcome

ROWS = samples(40)
TIME = "2026-03-02T05:00:00Z"
Writer = Callable[..., str]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("layout", [long_csv, wide_csv])
def test_layout_and_delimiter_are_found(tmp_path: Path, layout: Writer, delimiter: str) -> None:
    text = layout(ROWS, delimiter=delimiter)
    assert taken(tmp_path, text).outcome is Outcome.STORED
    assert stored(tmp_path) == expected(ROWS)


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
@pytest.mark.parametrize("layout", [long_csv, wide_csv])
def test_a_decimal_comma_is_found(tmp_path: Path, layout: Writer, delimiter: str) -> None:
    text = layout(ROWS, delimiter=delimiter, decimal=",")
    taken(tmp_path, text)
    assert stored(tmp_path) == expected(ROWS)


def test_a_decimal_comma_with_commas_between_quoted_fields(tmp_path: Path) -> None:
    taken(tmp_path, 'tag,time,value\n"DP","2026-03-02T05:00:00Z","10,25"\n')
    assert [row[2] for row in stored(tmp_path)] == [10.25]


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_ends(tmp_path: Path, ending: str) -> None:
    taken(tmp_path, long_csv(ROWS).replace("\n", ending))
    assert stored(tmp_path) == expected(ROWS)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"]
)
def test_encodings(tmp_path: Path, encoding: str) -> None:
    rows = samples(5, ("Öfen °C",))
    taken(tmp_path, long_csv(rows).encode(encoding))
    assert stored(tmp_path) == expected(rows)


def test_gzip(tmp_path: Path) -> None:
    taken(tmp_path, gzip.compress(long_csv(ROWS).encode()), "day.csv.gz")
    assert stored(tmp_path) == expected(ROWS)


def test_header_lines_and_a_units_line(tmp_path: Path) -> None:
    head = "Ondravel Lime;;\nExported;2026-03-03 04:00:00;\n\nTime;BH1 DP;BH1 T\n;mbar;°C\n"
    taken(tmp_path, head + "02.03.2026 06:00:00;1,5;140\n02.03.2026 06:00:10;1,6;141\n")
    assert [(tag, value) for tag, _, value, _ in stored(tmp_path)] == [
        ("BH1 DP", 1.5),
        ("BH1 DP", 1.6),
        ("BH1 T", 140.0),
        ("BH1 T", 141.0),
    ]


def test_quoted_fields_may_hold_the_delimiter(tmp_path: Path) -> None:
    text = '"tag","time","value"\n"DP, north","2026-03-02T05:00:00Z","1.5"\n'
    taken(tmp_path, text)
    assert [(row[0], row[2]) for row in stored(tmp_path)] == [("DP, north", 1.5)]


@pytest.mark.parametrize(
    "header",
    ["tag,time,value,quality", "Point,Timestamp,Reading,Status", "TAG_NAME,Date/Time,VAL,Validity"],
)
def test_generic_column_names(tmp_path: Path, header: str) -> None:
    taken(tmp_path, long_csv(ROWS, header=header))
    assert stored(tmp_path) == expected(ROWS)


def test_the_site_file_names_columns_that_no_word_tells(tmp_path: Path) -> None:
    text = long_csv(ROWS, header="wer,wann,was,wie")
    pins = TakeIn(
        layout="long",
        tag_column="wer",
        time_column="wann",
        value_column="was",
        quality_column="wie",
    )
    taken(tmp_path, text, pins=pins)
    assert stored(tmp_path) == expected(ROWS)


def test_a_delimiter_in_the_quality_word_misleads_nobody(tmp_path: Path) -> None:
    rows = [(tag, time, value, "Good;checked") for tag, time, value, _ in ROWS]
    taken(tmp_path, long_csv(rows))
    assert stored(tmp_path) == expected(ROWS)


def _frame() -> pl.DataFrame:
    return pl.DataFrame(ROWS, schema=["tag", "time", "value", "quality"], orient="row")


def _by_polars(path: Path) -> None:
    _frame().write_parquet(path)


def _by_arrow(path: Path) -> None:
    tag, time, value, quality = (list(column) for column in zip(*ROWS, strict=True))
    table = pa.table(
        {
            "tag": pa.array(tag).dictionary_encode(),
            "time": pa.array(time, pa.timestamp("ns", "UTC")),
            "value": pa.array(value, pa.float32()),
            "quality": pa.array([192] * len(quality), pa.int16()),
        }
    )
    pq.write_table(table, path)


def _as_text(path: Path) -> None:
    text = _frame().with_columns(
        pl.col("value").cast(pl.String).cast(pl.Categorical), pl.col("quality").cast(pl.Categorical)
    )
    text.write_parquet(path)


def _by_duckdb(path: Path) -> None:
    connection = duckdb.connect()
    connection.execute("SET TimeZone = 'UTC'")
    connection.register("frame", _frame())
    query = "SELECT tag, time, value, 0::UBIGINT AS quality FROM frame"
    connection.execute(f"COPY ({query}) TO '{path.as_posix()}' (FORMAT parquet)")
    connection.close()


@pytest.mark.parametrize("write", [_by_polars, _by_arrow, _as_text, _by_duckdb])
def test_parquet_of_several_writers(tmp_path: Path, write: Callable[[Path], None]) -> None:
    path = tmp_path / "written.parquet"
    write(path)
    assert taken(tmp_path, path.read_bytes(), "day.parquet").outcome is Outcome.STORED
    assert stored(tmp_path) == expected(ROWS)


def test_wide_parquet_with_wall_times(tmp_path: Path) -> None:
    frame = _frame().pivot("tag", index="time", values="value")
    wall = frame.with_columns(
        pl.col("time").dt.convert_time_zone("Europe/Vienna").dt.replace_time_zone(None)
    )
    path = tmp_path / "written.parquet"
    wall.write_parquet(path)
    taken(tmp_path, path.read_bytes(), "day.parquet")
    assert stored(tmp_path) == expected(ROWS)


# RFC 4180, section 2: CRLF, the last line end left out, quoted fields, doubled quotes, and blanks
# that belong to the field (names are stripped here, as people write them).
@pytest.mark.parametrize(
    ("line", "tag"),
    [
        ('"DP",2026-03-02T05:00:00Z,"1.5"', "DP"),
        ('DP,"2026-03-02T05:00:00Z",1.5', "DP"),
        ('"D""P",2026-03-02T05:00:00Z,1.5', 'D"P'),
        ('"D,P",2026-03-02T05:00:00Z,1.5', "D,P"),
        ('"",2026-03-02T05:00:00Z,1.5', None),
        (" D P ,2026-03-02T05:00:00Z,1.5", "D P"),
    ],
)
@pytest.mark.parametrize("ending", ["", "\r\n"])
def test_fields_after_rfc_4180(tmp_path: Path, line: str, tag: str | None, ending: str) -> None:
    good = "X,2026-03-02T05:00:00Z,1.5"
    taken(tmp_path, f"tag,time,value\r\n{good}\r\n{line}{ending}")
    assert [row[0] for row in stored(tmp_path)] == sorted(name for name in (tag, "X") if name)
    assert [row[0] for row in aside(tmp_path)] == ([] if tag else [3])


def test_a_line_break_within_quotes_is_not_supported(tmp_path: Path) -> None:
    """Section 2, rule 6, allows it; here both halves are set aside, and the rest is unharmed."""
    text = 'tag,time,value\r\nX,2026-03-02T05:00:00Z,1\r\n"D\r\nP",2026-03-02T05:00:00Z,2\r\n'
    taken(tmp_path, text + "Y,2026-03-02T05:00:00Z,3\r\n")
    assert [row[0] for row in stored(tmp_path)] == ["X", "Y"]
    assert [row[0] for row in aside(tmp_path)] == [3, 4]


def test_date_and_time_of_day_in_columns_of_their_own(tmp_path: Path) -> None:
    text = "Date;Time;DP;PT\n02.03.2026;06:00:00;1,5;6\n02.03.2026;06:00:10,5;x;7\n"
    assert taken(tmp_path, text).outcome is Outcome.STORED
    assert [(row[0], row[1].hour, row[2]) for row in stored(tmp_path)] == [
        ("DP", 5, 1.5),
        ("PT", 5, 6.0),
        ("PT", 5, 7.0),
    ]
    assert [row[:3] for row in aside(tmp_path)] == [(3, "DP", "02.03.2026;06:00:10,5;x")]


def test_date_and_time_of_day_of_a_long_export_with_half_days(tmp_path: Path) -> None:
    text = "tag\tdate\tclock\tvalue\nDP\t03/22/2026\t1:00:00 PM\t1\n"
    taken(tmp_path, text, zone="UTC")
    assert [f"{row[1]:%m-%d %H}" for row in stored(tmp_path)] == ["03-22 13"]


def test_typed_date_and_time_of_day_are_joined(tmp_path: Path) -> None:
    frame = _frame().with_columns(
        pl.col("time").dt.date().alias("day"), pl.col("time").dt.time().alias("clock")
    )
    path = tmp_path / "written.parquet"
    frame.drop("time").write_parquet(path)
    taken(tmp_path, path.read_bytes(), "day.parquet", zone="UTC")
    assert stored(tmp_path) == expected(ROWS)


def test_a_date_without_a_time_of_day_is_refused(tmp_path: Path) -> None:
    result = taken(tmp_path, "date;DP\n02.03.2026;1\n03.03.2026;2\n")
    assert result.outcome is Outcome.REFUSED


def test_text_beside_one_column_of_numbers_is_asked_for(tmp_path: Path) -> None:
    """Long exports name their columns in any language; taken as wide, every tag would be lost."""
    text = "Zeit;Punkt;Wert;Zustand\n31.03.2026 06:00:00;BH1.PDT-100;12,5;gut\n"
    refused = taken(tmp_path, text)
    assert refused.outcome is Outcome.REFUSED
    assert 'take_in.tag_column = "Punkt" and take_in.value_column = "Wert"' in refused.message
    pins = TakeIn(
        tag_column="Punkt", value_column="Wert", quality_column="Zustand", quality_good=("gut",)
    )
    assert taken(tmp_path, text, pins=pins).outcome is Outcome.STORED
    assert [row[0] for row in stored(tmp_path)] == ["BH1.PDT-100"]
