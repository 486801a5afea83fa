"""Parquet exports of several writers and every type that a column may have, and damaged ones."""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from random import Random
from tempfile import TemporaryDirectory
from zoneinfo import ZoneInfo

import duckdb
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from helpers.exports import ZONE
from helpers.odd_exports.drawn_exports import HOSTILE, micros
from helpers.odd_exports.export_case import ROW, Case, Kept, Key, Piece

_START = datetime(2026, 3, 28, 23, tzinfo=UTC)
_LOCAL = ZoneInfo(ZONE)
_TEXT = pa.string()


def _times(rng: Random, times: list[datetime]) -> pa.Array:
    draw = rng.randrange(6)
    if draw < 2:
        return pa.array(times, pa.timestamp(rng.choice(("s", "ms", "us", "ns")), "UTC"))
    if draw == 2:
        wall = [time.astimezone(_LOCAL).replace(tzinfo=None) for time in times]
        return pa.array(wall, pa.timestamp(rng.choice(("s", "ms", "us", "ns"))))
    if draw == 3:
        return pa.array(times, pa.timestamp("us", ZONE))
    if draw == 4:
        return pa.array([f"{time:%Y-%m-%dT%H:%M:%SZ}" for time in times], _TEXT)
    return pa.array([micros(time) // 1000 for time in times], pa.int64())


def _values(rng: Random, count: int) -> tuple[pa.Array, list[float]]:
    """Return a column and the numbers in it; all are eighths, so that every type holds them."""
    whole = [rng.randint(-100, 100) for _ in range(count)]
    parts = [number + rng.randrange(8) / 8 for number in whole]
    if rng.random() < 0.3:
        kind = rng.choice((pa.int8(), pa.int16(), pa.int32(), pa.int64(), pa.decimal128(9, 0)))
        exact = [Decimal(number) for number in whole] if kind == pa.decimal128(9, 0) else whole
        return pa.array(exact, kind), [float(number) for number in whole]
    draw = rng.randrange(7)
    if draw == 0:
        return pa.array([number > 0 for number in whole]), [float(number > 0) for number in whole]
    if draw == 1:
        return pa.array([Decimal(str(number)) for number in parts], pa.decimal128(12, 4)), parts
    if draw == 2:
        return pa.array([str(number) for number in parts]).dictionary_encode(), parts
    if draw == 3:
        return pa.array([str(number) for number in parts], pa.large_string()), parts
    if draw == 4:
        parts[0] = math.nan
    return pa.array(parts, rng.choice((pa.float16(), pa.float32(), pa.float64()))), parts


def parquet_case(rng: Random) -> Case:
    """Return a valid Parquet export."""
    tags = rng.sample(("DP", "PT 1", "Öfen", *HOSTILE[:8]), rng.randint(1, 3))
    times = [_START + timedelta(minutes=10 * number) for number in range(rng.randint(2, 30))]
    truth: dict[Key, Kept] = {}
    if rng.random() < 0.5:
        every = [(tag, time) for time in times for tag in tags]
        values, numbers = _values(rng, len(every))
        kinds: tuple[Mapping[object, int], ...] = (
            {"Good": 0, "Bad": 2, "Uncertain": 1, None: 0},
            {192: 0, 0: 2, 64: 1},
            {0: 0, 1 << 30: 1, 1 << 31: 2},
        )
        codes = rng.choice(kinds)
        marks = [next(iter(codes)), *(rng.choice(list(codes)) for _ in every[1:])]
        names = pa.array([tag for tag, _ in every], rng.choice((_TEXT, pa.large_string())))
        columns = {
            "tag": names.dictionary_encode() if rng.random() < 0.3 else names,
            "time": _times(rng, [time for _, time in every]),
            "value": values,
            "quality": pa.array(marks),
        }
        for (tag, time), number, mark in zip(every, numbers, marks, strict=True):
            truth[tag, micros(time)] = (number, 2 if math.isnan(number) else codes[mark])
    else:
        columns = {"time": _times(rng, times)}
        for tag in tags:
            columns[tag], numbers = _values(rng, len(times))
            for time, number in zip(times, numbers, strict=True):
                truth[tag, micros(time)] = (number, 2 if math.isnan(number) else 0)
    table = pa.table(columns)
    writers = [_by_arrow, _by_arrow, _by_polars]
    if pa.float16() not in table.schema.types:  # which DuckDB does not know
        writers.append(_by_duckdb)
    raw = rng.choice(writers)(rng, table)
    return Case("day.parquet", "", (Piece(raw, ROW, truth),))


def _by_arrow(rng: Random, table: pa.Table) -> bytes:
    out = io.BytesIO()
    pq.write_table(
        table,
        out,
        compression=rng.choice(("none", "snappy", "gzip", "zstd", "lz4", "brotli")),
        version=rng.choice(("1.0", "2.4", "2.6")),
        data_page_version=rng.choice(("1.0", "2.0")),
        row_group_size=rng.choice((7, 1000)),
        use_dictionary=rng.random() < 0.5,
        allow_truncated_timestamps=True,
    )
    return out.getvalue()


def _by_polars(rng: Random, table: pa.Table) -> bytes:
    out = io.BytesIO()
    frame = pl.DataFrame(table)
    frame.write_parquet(out, compression=rng.choice(("uncompressed", "snappy", "zstd")))
    return out.getvalue()


def _by_duckdb(rng: Random, table: pa.Table) -> bytes:
    with TemporaryDirectory() as folder, duckdb.connect() as connection:
        connection.execute("SET TimeZone = 'UTC'")
        connection.register("shown", table)
        path = Path(folder, "day.parquet")
        connection.execute(f"COPY shown TO '{path.as_posix()}' (FORMAT parquet)")
        return path.read_bytes()


def odd_types(rng: Random, case: Case) -> Case:
    """Write columns of types that no number, time or name has, or columns of one name."""
    count = 5
    odd: tuple[Callable[[], pa.Array], ...] = (
        lambda: pa.array([[1.0, 2.0]] * count),
        lambda: pa.array([{"a": 1, "b": "x"}] * count),
        lambda: pa.array([[("k", 1)]] * count, pa.map_(_TEXT, pa.int64())),
        lambda: pa.nulls(count),
        lambda: pa.array([b"\xff\x00"] * count),
        lambda: pa.array([b"abcd"] * count, pa.binary(4)),
        lambda: pa.array([1, 2, 3, 4, 5], pa.time64("us")),
        lambda: pa.array([1, 2, 3, 4, 5], pa.duration("ns")),
        lambda: pa.array([1, 2**31 - 1, -(2**31), 4, 5], pa.date32()),
        lambda: pa.array([2**63 + 5] * count, pa.uint64()),
        lambda: pa.array([-(2**62), 2**62, 0, -1, 1], pa.timestamp("us", "UTC")),
        lambda: pa.array([2**53, 0, -1, 1, -(2**53)], pa.timestamp("s")),
        lambda: pa.array([Decimal("9" * 38)] * count, pa.decimal128(38, 0)),
        lambda: pa.array([Decimal("9" * 70)] * count, pa.decimal256(76, 0)),
        lambda: pa.array([math.inf, -math.inf, math.nan, 1e308, 5e-324]),
        lambda: pa.array(["x", None, "", "\x00", "🙂"]),
        lambda: pa.array([_START + timedelta(seconds=n) for n in range(count)]),
        lambda: pa.array([1.0, 2.0, None, 4.0, 5.0]),
        lambda: pa.array([True, None, False, True, True]),
        lambda: pa.array(["2026-03-14T00:00:00Z"] * count),
    )
    names = rng.choice((["tag", "time", "value", "quality"], ["time", "DP", "PT"], ["DP", "DP"]))
    plain: dict[str, Callable[[], pa.Array]] = {
        "time": odd[16],
        "value": odd[17],
        "tag": lambda: pa.array(["DP"] * count),
    }
    columns: list[pa.Array] = []
    for name in names:
        make = plain.get(name, odd[17]) if rng.random() < 0.6 else rng.choice(odd)
        columns.append(make())
    out = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(columns, names), out)
    return replace(case, pieces=(Piece(out.getvalue()),), loose=True)


def damaged_bytes(rng: Random, case: Case) -> Case:
    """Cut Parquet off, change bytes of its footer or anywhere, or give it another name."""
    raw = bytearray(case.content() or b"PAR1")
    draw = rng.randrange(4)
    if draw == 0:
        del raw[rng.randrange(len(raw)) :]
    elif draw == 3:
        return replace(case, name=rng.choice(("day.csv", "day.csv.gz")), loose=True)
    else:
        footer = int.from_bytes(raw[-8:-4], "little") + 8
        first = max(0, len(raw) - footer) if draw == 1 else 0
        for _ in range(rng.choice((1, 1, 2, 8))):
            raw[rng.randrange(first, len(raw))] = rng.choice((0, 255, rng.randrange(256)))
    return replace(case, pieces=(Piece(bytes(raw)),), loose=True)
