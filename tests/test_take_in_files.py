"""Whole files: known, refused, waiting, replaced; nothing lost and nothing half done."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from exports import (
    NOW,
    START,
    aside,
    expected,
    long_csv,
    plant_site,
    samples,
    stored,
    take,
    taken,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rowcall.day_report import FileNote
from rowcall.errors import StoreError
from rowcall.store import Store
from rowcall.store.ledger import days_touched, files_of_day
from rowcall.take_in import Outcome, TakenIn, find_exports, take_in

ROWS = samples(30)


def _note(result: TakenIn) -> FileNote:
    assert result.note is not None, result.message
    return result.note


def _counts(result: TakenIn) -> tuple[int, int, int, int, int]:
    note = _note(result)
    return note.rows_read, note.stored, note.replaced, note.unchanged, note.set_aside


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
    assert _counts(result) == (61, 1, 30, 30, 0)
    assert stored(tmp_path) == expected([*changed, *late])


def test_a_changed_quality_is_a_changed_sample(tmp_path: Path) -> None:
    taken(tmp_path, long_csv(ROWS))
    result = taken(tmp_path, long_csv([(*ROWS[0][:3], "Bad"), *ROWS[1:]]))
    assert _counts(result) == (60, 0, 1, 59, 0)


def test_samples_that_a_later_export_lacks_stay(tmp_path: Path) -> None:
    taken(tmp_path, long_csv(ROWS))
    assert _counts(taken(tmp_path, long_csv(ROWS[:10] + ROWS[-10:]))) == (20, 0, 0, 20, 0)
    assert stored(tmp_path) == expected(ROWS)


def test_bad_values_compare_equal_to_themselves(tmp_path: Path) -> None:
    bad = "tag,time,value\nDP,2026-03-02T05:00:00Z,Bad\n"
    taken(tmp_path, bad)
    assert _counts(taken(tmp_path, bad + "DP,2026-03-02T05:00:01Z,1\n")) == (2, 1, 0, 1, 0)


def test_of_one_instant_twice_in_a_file_the_last_counts(tmp_path: Path) -> None:
    first = [("DP", START, 1.0, "Good"), ("DP", START, 2.0, "Good"), ("DP", START, 3.0, "Good")]
    assert _counts(taken(tmp_path, long_csv(first))) == (3, 1, 0, 0, 2)
    assert [row[2] for row in stored(tmp_path)] == [3.0]
    assert [(line, reason) for line, _, _, reason in aside(tmp_path)] == [
        (2, "same instant again"),
        (3, "same instant again"),
    ]


def test_lines_that_are_no_rows_are_kept_with_their_number(tmp_path: Path) -> None:
    good = long_csv(ROWS[:4]).splitlines()
    lines = [*good[:2], "DP,broken", "", good[2], 'DP,"open,1,Good', good[3], "a,b,c,d,e", good[4]]
    result = taken(tmp_path, "\n".join(lines))
    assert _counts(result) == (7, 4, 0, 0, 3)
    assert [(line, raw) for line, _, raw, _ in aside(tmp_path)] == [
        (3, "DP,broken"),
        (6, 'DP,"open,1,Good'),
        (8, "a,b,c,d,e"),
    ]


def test_scattered_bad_lines_in_a_large_file_have_their_numbers(tmp_path: Path) -> None:
    lines = long_csv(samples(20_000)).splitlines()
    rng = np.random.default_rng(3)
    broken = sorted(rng.choice(np.arange(1, len(lines)), 200, replace=False).tolist())
    kinds = ("{0},more", "{0}", "DP", "DP,when,1,Good", "DP,2026-03-02T05:00:00Z,one,Good", '"{0}')
    for number, place in enumerate(broken):
        lines[place] = kinds[number % len(kinds)].format(lines[place])
    result = taken(tmp_path, "\r\n".join(lines))
    wanted = [p + 1 for n, p in enumerate(broken) if n % len(kinds) != 1]
    assert [row[0] for row in aside(tmp_path)] == wanted
    assert _counts(result) == (40_000, 40_000 - len(wanted), 0, 0, len(wanted))


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
        ("day.csv", b"a,b,x\n2026-03-02T05:00Z,2026-03-02T05:00Z,1\n", "take_in.time_column"),
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
    with Store.open(tmp_path / "store.duckdb") as store:
        results = take(store, *find_exports(tmp_path), tmp_path / "gone.csv")
    assert [result.outcome for result in results] == ["refused", "stored", "refused"]


def test_a_file_just_written_waits(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text(long_csv(ROWS), encoding="utf-8")
    os.utime(path, (NOW.timestamp() - 2, NOW.timestamp() - 2))
    with Store.open(tmp_path / "store.duckdb") as store:
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
        patch.setattr("rowcall.store.writing._enter_days", fail)
        with pytest.raises(StoreError, match=r"nothing of day\.csv was stored"):
            taken(tmp_path, long_csv(ROWS))
    with Store.open(tmp_path / "store.duckdb") as store:
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
    with Store.open(tmp_path / "store.duckdb") as store:
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


_CELLS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.sampled_from(["Bad", "", "word", "NaN"]),
)
_ROWS = st.lists(st.tuples(st.sampled_from("ABC"), st.integers(0, 20), _CELLS), min_size=1)


@settings(
    max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(exports=st.lists(_ROWS, min_size=1, max_size=3))
def test_every_row_is_accounted_for_and_comes_back(
    tmp_path_factory: pytest.TempPathFactory, exports: list[list[tuple[str, int, str]]]
) -> None:
    folder = tmp_path_factory.mktemp("round")
    model: dict[tuple[str, datetime], float] = {}
    for number, rows in enumerate(exports):
        lines = [
            f"{tag};{START + timedelta(seconds=s):%Y-%m-%dT%H:%M:%SZ};{c}" for tag, s, c in rows
        ]
        result = taken(folder, "tag;time;value\n" + "\n".join(lines), f"{number}.csv")
        usable = {(t, START + timedelta(seconds=s)): c for t, s, c in rows if c not in ("", "word")}
        assert (result.outcome is Outcome.REFUSED) == (not usable)
        if result.outcome is Outcome.STORED:
            read, new, replaced, unchanged, set_aside = _counts(result)
            assert read == len(rows) == new + replaced + unchanged + set_aside
            assert new == len(usable.keys() - model.keys())
            assert replaced + unchanged == len(usable.keys() & model.keys())
        model |= {key: float("nan" if cell == "Bad" else cell) for key, cell in usable.items()}
    back = {(tag, time): value for tag, time, value, _ in stored(folder)}
    assert back.keys() == model.keys()
    np.testing.assert_array_equal([back[key] for key in model], list(model.values()))
