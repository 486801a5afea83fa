"""Whole files: known, refused, waiting, replaced; nothing lost and nothing half done."""

from __future__ import annotations

import os
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest
from helpers.exports import (
    NOW,
    START,
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

from rowcall.errors import StoreError
from rowcall.store.ledger import days_touched, files_of_day
from rowcall.take_in import Outcome, find_exports, take_in

ROWS = samples(30)


def test_a_file_taken_in_before_is_known_by_its_content(tmp_path: Path) -> None:
    first = taken(tmp_path, long_csv(ROWS))
    again = taken(tmp_path, long_csv(ROWS), "other_name.csv")
    assert again.outcome is Outcome.KNOWN
    assert again.note == first.note
    assert stored(tmp_path) == expected(ROWS)


def test_the_last_export_wins_a_tag_and_instant(tmp_path: Path) -> None:
    taken(tmp_path, long_csv(ROWS))
    changed = [(tag, time, value + (tag == "DP"), quality) for tag, time, value, quality in ROWS]
    late = [("DP", START + timedelta(seconds=5), 7.0, "Good")]
    result = taken(tmp_path, long_csv([*changed, *late]))
    assert counts(result) == (61, 1, 30, 30, 0)
    assert stored(tmp_path) == expected([*changed, *late])


def test_a_changed_quality_is_a_changed_sample(tmp_path: Path) -> None:
    taken(tmp_path, long_csv(ROWS))
    result = taken(tmp_path, long_csv([(*ROWS[0][:3], "Bad"), *ROWS[1:]]))
    assert counts(result) == (60, 0, 1, 59, 0)


def test_samples_that_a_later_export_lacks_stay(tmp_path: Path) -> None:
    taken(tmp_path, long_csv(ROWS))
    assert counts(taken(tmp_path, long_csv(ROWS[:10] + ROWS[-10:]))) == (20, 0, 0, 20, 0)
    assert stored(tmp_path) == expected(ROWS)


def test_bad_values_compare_equal_to_themselves(tmp_path: Path) -> None:
    bad = "tag,time,value\nDP,2026-03-02T05:00:00Z,Bad\n"
    taken(tmp_path, bad)
    assert counts(taken(tmp_path, bad + "DP,2026-03-02T05:00:01Z,1\n")) == (2, 1, 0, 1, 0)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("day.csv", b"", "empty"),
        ("day.csv", b"\n \n", "empty"),
        ("day.csv", b"tag,time,value\n", "no line of data"),
        ("day.csv", b"DP,2026-03-02T05:00:00Z,1.5\n", "header"),
        ("day.csv", bytes(range(256)) * 40, "not text"),
        ("day.csv", b"hello\nworld\n", "no line of data"),
        ("day.csv", b"tag,time,flow\nDP,2026-03-02T05:00:00Z,1\n", "take_in.value_column"),
        ("day.csv", b"time,value\n2026-03-02T05:00:00Z,1\n", "take_in.tag_column"),
        ("day.csv", b"tag,point,time,value\na,b,2026-03-02T05:00:00Z,1\n", "take_in.tag_column"),
        (
            "day.csv",
            b"tag,time,value,quality,status\na,2026-03-02T05:00:00Z,1,Good,Bad\n",
            "take_in.quality_column",
        ),
        ("day.csv", b"a,b,x\n2026-03-02T05:00Z,2026-03-02T05:00Z,1\n", "take_in.time_column"),
        ("day.csv", b"time,DP,\n2026-03-02T05:00:00Z,1,2\n", "column 3"),
        ("day.csv", b"time,DP,DP\n2026-03-02T05:00:00Z,1,2\n", "more than once"),
        ("day.csv", b"time,DP\n2026-03-02T05:00:00Z,high\n", "line 2, column 'DP'"),
        ("day.csv", b"time,DP\n2026-03-02T05:00:00Z,\n", "no values"),
        ("day.csv.gz", b"\x1f\x8b\x08\x00cut off", "gzip"),
        ("day.parquet", b"", "empty"),
        ("day.parquet", b"PAR1 but nothing else", "Parquet"),
    ],
)
def test_unusable_files_are_refused_with_nothing_stored(
    tmp_path: Path, name: str, content: bytes, said: str
) -> None:
    result = taken(tmp_path, content, name)
    assert result.outcome is Outcome.REFUSED
    assert name in result.message
    assert said in result.message
    assert stored(tmp_path) == []


def test_a_cut_off_parquet_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "whole.parquet"
    pl.DataFrame({"time": [START], "DP": [1.5]}).write_parquet(path)
    for content in (path.read_bytes()[:-20], path.read_bytes()[:20]):
        assert taken(tmp_path, content, "day.parquet").outcome is Outcome.REFUSED


def test_a_refused_file_does_not_stop_the_others(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_bytes(b"")
    (tmp_path / "b.csv").write_text(long_csv(ROWS), encoding="utf-8")
    with store_of(tmp_path) as store:
        results = take(store, *find_exports(tmp_path), tmp_path / "gone.csv")
    assert [result.outcome for result in results] == ["refused", "stored", "refused"]


def test_a_file_just_written_waits(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text(long_csv(ROWS), encoding="utf-8")
    os.utime(path, (NOW.timestamp() - 2, NOW.timestamp() - 2))
    with store_of(tmp_path) as store:
        (waiting,) = take(store, path)
        assert waiting.outcome is Outcome.WAITING
        assert "waits" in waiting.message
        (result,) = take_in(
            store, plant_site(), [path], now=NOW, progress=lambda text: None, settle_s=0.0
        )
    assert result.outcome is Outcome.STORED


def test_a_failure_in_the_middle_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise duckdb.IOException("no space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("rowcall.store.exports._enter_days", fail)
        with pytest.raises(StoreError, match=r"nothing of day\.csv was stored"):
            taken(tmp_path, long_csv(ROWS))
    with store_of(tmp_path) as store:
        for table in ("samples", "tags", "files", "file_tags", "set_aside"):
            row = store.connection.execute(f"SELECT count(*) FROM {table}").fetchone()
            assert row == (0,)
    assert taken(tmp_path, long_csv(ROWS)).outcome is Outcome.STORED


def test_tag_names_are_data(tmp_path: Path) -> None:
    rows = samples(3, ("'; DROP TABLE samples; --", 'a"b', "{compartment}", "%s", "名前"))
    quoted = [(f'"{row[0].replace(chr(34), 2 * chr(34))}"', *row[1:]) for row in rows]
    taken(tmp_path, long_csv(quoted))
    assert stored(tmp_path) == expected(rows)


def test_the_ledger_tells_days_in_plant_time_and_their_files(tmp_path: Path) -> None:
    late = [("DP", datetime(2026, 3, 2, 22, 59, tzinfo=UTC), 1.0, "Good")]
    early = [("DP", datetime(2026, 3, 2, 23, 1, tzinfo=UTC), 2.0, "Good")]
    taken(tmp_path, long_csv(late), "a.csv")
    taken(tmp_path, long_csv([*late, *early]), "b.csv")
    with store_of(tmp_path) as store:
        assert days_touched(store) == {date(2026, 3, 2): 1, date(2026, 3, 3): 2}
        assert [note.name for note in files_of_day(store, date(2026, 3, 3))] == ["b.csv"]
        (note,) = files_of_day(store, date(2026, 3, 2))
    assert (note.first, note.last) == (late[0][1], late[0][1])


def test_exports_of_a_folder(tmp_path: Path) -> None:
    names = [
        "b.csv",
        "a.parquet",
        "c.TXT",
        "d.csv.gz",
        ".hidden.csv",
        "e.csv.part",
        "~f.csv",
        "g.md",
    ]
    for name in names:
        (tmp_path / name).write_bytes(b"x")
    (tmp_path / "folder.csv").mkdir()
    found = [path.name for path in find_exports(tmp_path)]
    assert found == ["a.parquet", "b.csv", "c.TXT", "d.csv.gz"]
    assert find_exports(tmp_path / "nowhere") == []


@pytest.mark.skipif(sys.platform != "linux", reason="names are bytes there")
def test_a_file_whose_name_is_no_utf8_is_taken_in(tmp_path: Path) -> None:
    for number, name in enumerate((b"a\xff.csv", b"b.csv")):
        Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name)).write_text(long_csv(ROWS[number:]))
    said: list[str] = []
    with store_of(tmp_path) as store:
        results = take_in(
            store, plant_site(), find_exports(tmp_path), now=NOW, progress=said.append
        )
        names = store.connection.execute("SELECT name FROM files ORDER BY file_id").fetchall()
    assert [result.outcome for result in results] == [Outcome.STORED, Outcome.STORED]
    assert names == [(r"a\udcff.csv",), ("b.csv",)]
    assert all(text.isprintable() for text in said)
