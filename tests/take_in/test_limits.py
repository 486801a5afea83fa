"""Hostile and torn exports: refused in a plain sentence, before they take memory or time."""

from __future__ import annotations

import gzip
import io
import random
import tracemalloc
import zipfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from helpers.exports import (
    NOW,
    START,
    counts,
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
from rowcall.take_in import Outcome, take_in
from rowcall.take_in.cells import time_formats
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.sniff import columns, delimiter

ROWS = samples(30)
TEXT = long_csv(ROWS)
LITTLE = Memory(whole_bytes=100, block_bytes=2_500, slice_rows=1_000)


@pytest.mark.parametrize("text", ["1 MB", "1MiB", "MiB", "-1 KiB", "1.5 GiB", "0 B", "1"])
def test_a_size_has_one_clear_form(text: str) -> None:
    with pytest.raises(ValidationError):
        TakeIn.model_validate({"largest_line": text})


def test_sizes_are_read() -> None:
    pins = TakeIn.model_validate({"largest_line": "64 KiB", "largest_unpacked": "8 GiB"})
    assert (pins.largest_line, pins.largest_unpacked) == (65_536, 8 * 2**30)


@pytest.mark.parametrize("memory", [None, LITTLE])
def test_a_line_beyond_the_limit_is_refused_with_its_number(
    tmp_path: Path, memory: Memory | None
) -> None:
    path = tmp_path / "day.csv"
    path.write_text(TEXT + "DP," + "9" * 5_000 + "\n" + TEXT, encoding="utf-8")
    with store_of(tmp_path) as store:
        short, long = (
            take_in(
                store,
                plant_site(TakeIn.model_validate({"largest_line": text})),
                [path],
                now=NOW,
                progress=lambda text: None,
                memory=memory,
            )[0]
            for text in ("4 KiB", "8 KiB")
        )
    assert short.outcome is Outcome.REFUSED
    assert "day.csv: line 62 is longer than 4,096 bytes" in short.message
    assert "take_in.largest_line" in short.message
    assert long.outcome is Outcome.STORED


def test_an_endless_line_is_not_read_to_its_end(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    with path.open("wb") as out:
        out.write(b"tag,time,value\n")
        out.truncate(256 * 2**20)
    tracemalloc.start()
    with store_of(tmp_path) as store:
        (result,) = take(store, path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert result.outcome is Outcome.REFUSED
    assert peak < 30 * 2**20


def test_a_file_beyond_the_limit_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    with path.open("wb") as out:
        out.truncate(3 * 2**20)
    pins = TakeIn.model_validate({"largest_unpacked": "2 MiB"})
    with store_of(tmp_path) as store:
        (result,) = take(store, path, pins=pins)
    assert "larger than 2 MiB" in result.message
    assert "take_in.largest_unpacked" in result.message


def bomb(size: int) -> bytes:
    return b"tag,time,value\n" + b"a,2026-03-02T05:00:00Z,1\n" * (size // 25)


def in_zip(content: bytes) -> bytes:
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        packed.writestr("day.csv", content)
    return raw.getvalue()


def in_zstd(content: bytes) -> bytes:
    packed: bytes = pa.compress(content, codec="zstd", asbytes=True)
    return packed


PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "day.csv.gz": gzip.compress,
    "day.csv.zst": in_zstd,
    "day.zip": in_zip,
}


@pytest.mark.parametrize("name", PACKERS)
def test_content_beyond_the_limit_is_refused(tmp_path: Path, name: str) -> None:
    pins = TakeIn.model_validate({"largest_unpacked": "64 KiB"})
    result = taken(tmp_path, PACKERS[name](bomb(100_000)), name, pins=pins)
    assert result.outcome is Outcome.REFUSED
    assert "larger than 64 KiB" in result.message


@pytest.mark.parametrize("name", ["day.csv.zst", "day.zip", "day.csv.gz"])
def test_what_grows_as_no_export_does_is_refused(
    tmp_path: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rowcall.take_in.files.unpack._ALWAYS_ALLOWED", 2**20)
    monkeypatch.setattr("rowcall.take_in.files.unpack._MOST_GROWTH", 100)
    result = taken(tmp_path, PACKERS[name](bomb(3 * 2**20)), name)
    assert result.outcome is Outcome.REFUSED
    assert "times as many, which no export does" in result.message


def test_too_many_columns_are_refused(tmp_path: Path) -> None:
    pins = TakeIn(most_columns=5)
    text = "time,A,B,C,D,E\n2026-03-02T05:00:00Z,1,2,3,4,5\n"
    result = taken(tmp_path, text, pins=pins)
    assert "has 6 columns, and 5 is the most" in result.message
    frame = pl.DataFrame({"time": [START], **{name: [1.0] for name in "ABCDE"}})
    assert "6 columns" in taken(tmp_path, parquet(frame), "day.parquet", pins=pins).message
    assert taken(tmp_path, text, pins=TakeIn(most_columns=6)).outcome is Outcome.STORED


@pytest.mark.parametrize(
    ("head", "field"),
    [
        ("", ""),
        ("", "12:00:{0:02}"),
        ("", "1.5{0}"),
        ("time,{0},at\n", "{0}"),
        ("{0},time,at\n", "12:00:{0:02}"),
    ],
)
def test_a_line_of_very_many_fields_takes_no_work_that_grows_with_their_square(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, head: str, field: str
) -> None:
    tried = 0

    def counted(true: Callable[..., object]) -> Callable[..., object]:
        def function(*given: object) -> object:
            nonlocal tried
            tried += 1
            return true(*given)

        return function

    for module, name in ((columns, "_is_number"), (time_formats, "_fits"), (delimiter, "_is_time")):
        monkeypatch.setattr(module, name, counted(getattr(module, name)))
    names = ",".join(f"tag{number}" for number in range(500))
    cells = ",".join(field.format(number) for number in range(500))
    begin, end = ("2026-03-02T05:00:00Z,", ",x") if head.startswith("time") else ("", ",1,x")
    taken(tmp_path, head.format(names) + (begin + cells + end + "\n") * 2)
    assert tried <= 50_000


@pytest.mark.parametrize("memory", [None, LITTLE])
def test_more_tags_than_a_store_holds_are_refused(tmp_path: Path, memory: Memory | None) -> None:
    path = tmp_path / "day.csv"
    rows = "\n".join(f"t{number},2026-03-02T05:00:00Z,1" for number in range(65_536))
    path.write_text("tag,time,value\n" + rows, encoding="utf-8")
    big = memory and Memory(whole_bytes=100, block_bytes=2**20, slice_rows=100_000)
    with store_of(tmp_path) as store:
        (result,) = take_in(
            store, plant_site(), [path], now=NOW, progress=lambda text: None, memory=big
        )
    assert result.outcome is Outcome.REFUSED
    assert "65,535 is the most" in result.message


def parquet(table: pl.DataFrame | pa.Table) -> bytes:
    raw = io.BytesIO()
    pq.write_table(table.to_arrow() if isinstance(table, pl.DataFrame) else table, raw)
    return raw.getvalue()


TIME = pa.array([datetime(2026, 3, 2, 5)])


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (pa.table({"time": TIME, "DP": [[1.0, 2.0]]}), "'DP' holds list"),
        (pa.table({"time": TIME, "DP": [{"value": 1.0}]}), "'DP' holds struct"),
        (pa.table({"time": TIME, "DP": [b"\xff\xfe"]}), "'DP' holds binary"),
        (
            pa.table([TIME, pa.array([1.0]), TIME], ["time", "DP", "DP"]),
            "more than once",
        ),
        (pa.table({"time": TIME[:0], "DP": pa.array([], pa.float64())}), "no rows"),
        (pa.table({"time": pa.array([3.5]), "DP": [1.0]}), "time"),
        (pa.table({"time": ["today"], "DP": ["high"]}), "time"),
        (pa.table({"time": TIME}), "no column besides"),
    ],
)
def test_parquet_that_is_no_export_is_refused(tmp_path: Path, table: pa.Table, said: str) -> None:
    result = taken(tmp_path, parquet(table), "day.parquet")
    assert result.outcome is Outcome.REFUSED
    assert said in result.message
    assert stored(tmp_path) == []


def test_a_tiny_parquet_file_of_countless_rows_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rowcall.take_in.files.unpack._ALWAYS_ALLOWED", 2**20)
    rows = 1_000_000
    columns = {"time": pa.repeat(TIME[0], rows), "DP": pa.repeat(pa.scalar(1.0), rows)}
    content = parquet(pa.table(columns))
    assert len(content) < 300_000
    result = taken(tmp_path, content, "day.parquet")
    assert result.outcome is Outcome.REFUSED
    assert "times as many, which no export does" in result.message


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
@pytest.mark.parametrize("memory", [None, LITTLE])
def test_instants_that_no_calendar_knows_are_set_aside(
    tmp_path: Path, unit: str, memory: Memory | None
) -> None:
    odd = pa.array([-(2**63) + 1, 2**63 - 1, 0], pa.timestamp(unit, "UTC"))
    times = pa.concat_arrays([odd, pa.array([START], pa.timestamp(unit, "UTC"))])
    path = tmp_path / "day.parquet"
    path.write_bytes(parquet(pa.table({"time": times, "DP": [1.0, 2.0, 3.0, 4.0]})))
    with store_of(tmp_path) as store:
        (result,) = take_in(
            store, plant_site(), [path], now=NOW, progress=lambda text: None, memory=memory
        )
    assert counts(result) == (4, 1, 0, 0, 3)
    assert [row[2] for row in stored(tmp_path)] == [4.0]


@pytest.mark.parametrize("share", [0.0, 0.3, 0.6, 0.95, 0.999])
def test_parquet_that_is_cut_off_is_refused(tmp_path: Path, share: float) -> None:
    whole = parquet(pl.DataFrame({"time": [START] * 500, "DP": [1.5] * 500}))
    result = taken(tmp_path, whole[: int(share * len(whole))], "day.parquet")
    assert result.outcome is Outcome.REFUSED
    assert result.message.startswith("day.parquet: ")
    assert result.message.endswith("export it again.")


def test_torn_parquet_is_refused_or_read_but_never_fails(tmp_path: Path) -> None:
    frame = pl.DataFrame({"tag": ["DP", "PT"] * 40, "time": [START] * 80, "value": [1.5] * 80})
    whole, rng = parquet(frame), random.Random(5)
    with store_of(tmp_path) as store:
        for number in range(60):
            torn = bytearray(whole)
            for _ in range(rng.randint(1, 4)):
                torn[rng.randrange(4, len(torn) - 4)] = rng.randrange(256)
            path = tmp_path / f"{number}.parquet"
            path.write_bytes(torn[: rng.choice([len(torn), len(torn), rng.randrange(len(torn))])])
            (result,) = take(store, path)
            assert result.outcome is not Outcome.WAITING
            assert result.outcome is not Outcome.REFUSED or result.message.startswith(path.name)
