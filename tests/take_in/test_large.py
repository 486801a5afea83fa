"""An export too large for memory is taken in exactly as a small one is."""

from __future__ import annotations

import gzip
import io
import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from helpers.exports import NOW, STORE, plant_site, store_of
from helpers.long_exports import LITTLE, PLAIN, long_rows, long_text, rows_of, taken, taken_into

from rowcall.store import Store
from rowcall.take_in import Outcome, take_in
from rowcall.take_in.load.memory import Memory

FEW_BLOCKS = replace(LITTLE, block_bytes=5_000)  # three to a dozen of each export


def wide_text(count: int) -> str:
    """Return a wide export over the doubled hour, with empty cells and words in it."""
    start = datetime(2026, 10, 24, 22)
    lines = ["Time;A;B;C"]
    for number in range(count):
        odd = "" if number % 7 else number
        word = "Bad" if number % 5 else f"{number / 4:.2f}".replace(".", ",")
        lines.append(f"{start + timedelta(minutes=number)};{number},5;{odd};{word}")
    return "\n".join(lines)


def parquet(frame: pl.DataFrame) -> bytes:
    raw = io.BytesIO()
    frame.write_parquet(raw, row_group_size=300)
    return raw.getvalue()


def shuffled(rows: list[str]) -> list[str]:
    random.Random(3).shuffle(rows)
    return rows


def with_faults(rows: list[str]) -> list[str]:
    rows[33], rows[40], rows[50] = "x", "A;when;1;Good", rows[50].replace(";0.", ";zero")
    rows[60] = rows[60].replace("192", "odd")
    return [*rows, *rows[5:200]]


def left_beside(store: Store) -> set[str]:
    """Names of what lies beside an open store and is none of its own files."""
    return {found.name for found in store.path.parent.iterdir()} - {STORE, f"{STORE}.wal"}


FRAME = pl.DataFrame(
    {
        "tag": ["A", "B"] * 600,
        "time": [datetime(2026, 10, 24, 22) + timedelta(seconds=30 * n) for n in range(1_200)],
        "value": [n / 3 for n in range(1_200)],
    }
)
AUTUMN = long_rows(300, step_s=120)
EXPORTS: dict[str, str | bytes] = {
    "in utc": long_text(long_rows(250, PLAIN, zone="UTC")),
    "faults and doubles": long_text(with_faults(long_rows(250, PLAIN, zone="UTC"))),
    "day first told late": long_text(
        long_rows(250, "%d/%m/%Y %H:%M", start=datetime(2026, 10, 5, tzinfo=UTC), step_s=3_600)
    ),
    "day first never told": long_text(
        long_rows(200, "%d/%m/%Y %H:%M", start=datetime(2026, 10, 5, tzinfo=UTC))
    ),
    "autumn by time": long_text(AUTUMN),
    "autumn by tag": long_text(sorted(AUTUMN, key=lambda row: row[0])),
    "autumn newest first": long_text(AUTUMN[::-1]),
    "autumn hourly": long_text(long_rows(90, step_s=3_600)),
    "autumn hourly by wall time": long_text(
        sorted(long_rows(90, step_s=3_600), key=lambda row: row.split(";")[1])
    ),
    "autumn without a row near it": long_text(
        [f"A;{year}-03-02 06:00:00;1.5;192" for year in (2024, 2025, 2026)]
    ),
    "autumn shuffled": long_text(shuffled(long_rows(300, tags="A", step_s=120))),
    "autumn, one pass only": long_text(
        long_rows(200, start=datetime(2026, 10, 25, 0, 20, tzinfo=UTC), step_s=10)
    ),
    "spring": long_text(
        [
            *long_rows(150, start=datetime(2026, 3, 28, 22, tzinfo=UTC), step_s=120),
            "A;2026-03-29 02:30:00;1.5;192",
        ]
    ),
    "older qualities told at the end": long_text(
        [*long_rows(250, quality="0"), "A;2026-11-01 00:00:00;1.5;192"]
    ),
    "all qualities zero": long_text(long_rows(250, quality="0")),
    "decimal comma told late": "tag;time;value\n"
    + "\n".join(
        f"A;2026-03-02 10:{n // 60:02d}:{n % 60:02d};{n if n < 400 else '7,5'}" for n in range(500)
    ),
    "decimal signs that contradict": "tag;time;value\n"
    + "\n".join(
        f"A;2026-03-02 10:{n // 60:02d}:{n % 60:02d};{'0.611' if n < 400 else '7,5'}"
        for n in range(500)
    ),
    "decimal sign left open": "tag;time;value\n"
    + "\n".join(f"A;2026-03-02 10:{n // 60:02d}:{n % 60:02d};1,{n:03d}" for n in range(500)),
    "wide": wide_text(400),
    "wide with doubles": wide_text(400) + "\nwhen;1;2;3\njunk\n" + wide_text(9).split("\n", 1)[1],
    "utf-16": wide_text(300).encode("utf-16"),
    "windows letters": wide_text(300).replace("A", "Dü").encode("cp1252"),
    "windows letter at the end": (wide_text(300) + "\n2026-11-01 00:00:00;é;1;2").encode("cp1252"),
    "utf-8 with damaged bytes": wide_text(300).replace("A", "Dü").encode()[:-30] + b"\xff\n\xfe",
    "damaged bytes of a pinned kind": long_text([f"Ä{row}" for row in long_rows(90)]).encode()
    + b"\xff",
    "both utf-8 and not": wide_text(30).replace("A", "Dü").encode() + b"\xff" * 3 + b"\n\xff",
    "another wide export below": wide_text(300) + "\n" + wide_text(9).replace("A", "X"),
    "another export below and the first again": "\n".join(
        [wide_text(300), wide_text(200).replace("A", "X"), wide_text(3)]
    ),
    "another export above": "tag;time;value\nA;2026-03-02 06:00:00;1.5\n" * 3 + wide_text(300),
    "byte order mark": wide_text(300).encode("utf-8-sig"),
    "bare carriage returns": wide_text(300).replace("\n", "\r"),
    "blank lines": wide_text(300).replace("\n", "\n\n"),
    "quotes": "\n".join(
        '"' + line.replace(";", '";"') + '"' for line in wide_text(300).split("\n")
    ),
    "gzip": gzip.compress(wide_text(300).encode()),
    "zero byte": wide_text(300).encode() + b"\n\0",
    "nothing usable": long_text([row.replace(";0.", ";zero") for row in long_rows(200)]),
    "parquet": parquet(FRAME),
    "parquet with coded dates": parquet(
        FRAME.with_columns(pl.col("time").dt.to_string("%d/%m/%Y %H:%M:%S").cast(pl.Categorical))
    ),
    "parquet in utc with doubles": parquet(
        pl.concat([FRAME, FRAME[:10]]).with_columns(
            pl.col("time").dt.replace_time_zone("UTC"), pl.col("tag").cast(pl.Categorical)
        )
    ),
}


@pytest.mark.parametrize("kind", EXPORTS)
def test_block_by_block_gives_what_the_whole_gives(tmp_path: Path, kind: str) -> None:
    content = EXPORTS[kind]
    path = tmp_path / ("day.parquet" if kind.startswith("parquet") else "day.csv")
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    with store_of(tmp_path) as store:
        whole = taken_into(store, path, None)
    with store_of(tmp_path / "large") as store:
        assert taken_into(store, path, FEW_BLOCKS) == whole
        assert left_beside(store) == set()


def test_slices_go_to_the_store_by_time_and_within_by_tag(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text(long_text(sorted(long_rows(2_000, PLAIN, zone="UTC"))), encoding="utf-8")
    memory = Memory(whole_bytes=100, block_bytes=10_000, slice_rows=1_500)
    with store_of(tmp_path) as store:
        take_in(store, plant_site(), [path], now=NOW, progress=lambda text: None, memory=memory)
        rows = rows_of(store, "SELECT tag_id, time FROM samples ORDER BY rowid")
    falls = [place for place in range(1, len(rows)) if rows[place] < rows[place - 1]]
    assert 1 <= len(falls) <= 4


def test_a_large_export_again_is_known_and_a_changed_one_replaces(tmp_path: Path) -> None:
    path, rows = tmp_path / "day.csv", long_rows(250, PLAIN, zone="UTC")
    path.write_text(long_text(rows), encoding="utf-8")
    first, *_ = taken(tmp_path, path, LITTLE)
    assert taken(tmp_path, path, LITTLE)[0].outcome is Outcome.KNOWN
    changed = [row.replace(";0.", ";7.") if row.startswith("A") else row for row in rows]
    path.write_text(long_text(changed), encoding="utf-8")
    again, samples, _ = taken(tmp_path, path, LITTLE)
    assert first.note is not None
    assert again.note is not None
    assert (first.note.stored, again.note.replaced, again.note.unchanged) == (500, 250, 250)
    assert len(samples) == 500


def test_a_large_export_that_fails_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    path = tmp_path / "day.csv.gz"
    packed = gzip.compress(long_text(long_rows(2_000, PLAIN, zone="UTC")).encode())
    path.write_bytes(packed[:-2_000])
    result, samples, aside = taken(tmp_path, path, LITTLE)
    assert (result.outcome, samples, aside) == (Outcome.REFUSED, [], [])
    assert "gzip" in result.message
    with store_of(tmp_path) as store:
        assert left_beside(store) == set()
