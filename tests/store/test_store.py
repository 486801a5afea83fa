"""The store: opening, migrations, transactions, and reading samples back."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import duckdb
import numpy as np
import polars as pl
import pytest
from helpers.exports import START, long_csv, samples, store_of, stored, taken

from rowcall.errors import StoreError
from rowcall.store import Store
from rowcall.store.local_days import local_days
from rowcall.store.nights.unjudged import unjudged_answers
from rowcall.store.samples import epoch_us, from_epoch_us, last_before, read_samples
from rowcall.store.schema import MIGRATIONS

PLAIN = "plain names of rules and facts"


def _store_path(folder: Path) -> Path:
    return folder / "store.duckdb"


def test_a_new_store_has_every_migration_on_record(tmp_path: Path) -> None:
    path = tmp_path / "deep" / "store.duckdb"
    for _ in range(2):
        with Store.open(path) as store:
            rows = store.connection.execute("SELECT version, name FROM rowcall_schema").fetchall()
        assert rows == [(n, m.name) for n, m in enumerate(MIGRATIONS, start=1)]


def test_a_store_of_an_earlier_version_is_brought_up_to_date(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = _store_path(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr("rowcall.store.connection.MIGRATIONS", MIGRATIONS[:1])
        with Store.open(path) as store:  # by what an early version wrote, not by this one
            store.connection.execute("INSERT INTO tags VALUES (0, 'DP')")
            store.connection.executemany(
                "INSERT INTO samples VALUES (0, ?, 1.5, 0)",
                [[time.replace(tzinfo=None)] for _, time, *_ in samples(3, ("DP",))],
            )
    with pytest.raises(StoreError, match="run a nightly"):
        Store.open(path, read_only=True)
    with Store.open(path) as store:
        store.connection.execute("SELECT * FROM findings")
        assert len(read_samples(store, ["DP"], START, START + timedelta(days=1))["DP"].value) == 3


OLD_RULES = ("row_faint", "row_drawn_out", "row_not_called", "rising_baseline_dp", "row_silent")
NEW_RULES = ("row_weak", "row_closes_late", "row_not_pulsed", "rising_residual_dp", "row_silent")
OLD_FACTS = {
    "n_called": "n_sent",
    "left_pa": "shortfall_pa",
    "coming_rate_low": "answer_rate_low",
    "clock_offset_most_s": "clock_offset_max_s",
    "tau_s": "tau_s",
}
GONE_FACTS = ("verdict_silent", "watch_faint", "tau_s_h07", "n_tau_h23", "slow_frac", "rest_s")


def test_an_old_stores_findings_and_facts_get_their_new_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, before = _store_path(tmp_path), [m.name for m in MIGRATIONS].index(PLAIN)
    with monkeypatch.context() as patch:
        patch.setattr("rowcall.store.connection.MIGRATIONS", MIGRATIONS[:before])
        with Store.open(path) as store:
            for rule in OLD_RULES:
                store.connection.execute(
                    "INSERT INTO findings VALUES ('2026-03-01', 'BH1', 1, 2, ?, 'found', 'watch', "
                    "NULL, NULL, '[]', 'Silent. Place 2 of 12 found so.', '')",
                    [rule],
                )
            for number, name in enumerate((*OLD_FACTS, *GONE_FACTS)):
                store.connection.execute(
                    "INSERT INTO facts VALUES ('2026-03-01', 'BH1', 1, 2, ?, ?)", [name, number]
                )
    with Store.open(path) as store:
        findings = store.connection.execute("SELECT rule, is_place FROM findings").fetchall()
        facts = store.connection.execute("SELECT name, value FROM facts ORDER BY value").fetchall()
    assert findings == [(rule, True) for rule in NEW_RULES]
    assert facts == [(name, float(n)) for n, name in enumerate(OLD_FACTS.values())]


def test_what_was_not_judged_before_it_was_known_what_lacked_lacks_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, day = _store_path(tmp_path), date(2026, 3, 1)
    with monkeypatch.context() as patch:
        before = [m.name for m in MIGRATIONS].index("what rules lacked")
        patch.setattr("rowcall.store.connection.MIGRATIONS", MIGRATIONS[:before])
        with Store.open(path) as store:
            store.connection.execute(
                "INSERT INTO findings VALUES (?, 'BH1', 1, 2, 'row_weak', 'cannot tell', NULL, "
                "NULL, NULL, '[]', 'Cannot tell: no.', '', false)",
                [day],
            )
    with Store.open(path) as store:
        (finding,) = unjudged_answers(store, day, day)
    assert (finding.answer.lack, finding.answer.lack_of) == (None, "")


def test_a_migration_is_whole_or_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = _store_path(tmp_path)
    broken = type(MIGRATIONS[0])("broken", "CREATE TABLE half (x INTEGER); SELECT nonsense;")
    with monkeypatch.context() as patch:
        patch.setattr("rowcall.store.connection.MIGRATIONS", (*MIGRATIONS, broken))
        with pytest.raises(duckdb.Error):
            Store.open(path)
    with Store.open(path) as store, pytest.raises(duckdb.CatalogException):
        store.connection.execute("SELECT * FROM half")


def test_a_newer_store_is_refused(tmp_path: Path) -> None:
    path = _store_path(tmp_path)
    with Store.open(path) as store:
        store.connection.execute("INSERT INTO rowcall_schema VALUES (99, 'later', now())")
    with pytest.raises(StoreError, match=r"version 99.*update rowcall"):
        Store.open(path)


def test_files_that_are_no_store_are_refused(tmp_path: Path) -> None:
    text, foreign = tmp_path / "notes.txt", tmp_path / "other.duckdb"
    text.write_text("just some notes, long enough not to be taken for an empty file\n" * 100)
    with duckdb.connect(str(foreign)) as connection:
        connection.execute("CREATE TABLE orders (id INTEGER)")
    for path, said in ((text, "not a DuckDB"), (foreign, "orders"), (tmp_path, "folder")):
        before = path.read_bytes() if path.is_file() else b""
        with pytest.raises(StoreError, match=said):
            Store.open(path)
        assert not before or path.read_bytes() == before


def test_reading_only_needs_a_store(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="no store here"):
        Store.open(_store_path(tmp_path), read_only=True)
    Store.open(_store_path(tmp_path)).close()
    with (
        Store.open(_store_path(tmp_path), read_only=True) as store,
        pytest.raises(duckdb.InvalidInputException),
    ):
        store.connection.execute("DELETE FROM samples")


def test_a_store_held_by_another_process_is_locked(tmp_path: Path) -> None:
    path = _store_path(tmp_path)
    Store.open(path).close()
    code = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); input()"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout is not None
        assert other.stdin is not None
        assert other.stdout.readline().strip() == "open"
        with pytest.raises(StoreError, match="another process has the store open"):
            Store.open(path)
        other.stdin.close()


def test_a_transaction_is_whole_or_nothing(tmp_path: Path) -> None:
    with Store.open(_store_path(tmp_path)) as store:
        with pytest.raises(duckdb.Error), store.transaction():
            store.connection.execute("INSERT INTO tags VALUES (1, 'lost'); SELECT nonsense")
        with store.transaction():
            store.connection.execute("INSERT INTO tags VALUES (2, 'kept')")
        assert store.connection.execute("SELECT name FROM tags").fetchall() == [("kept",)]


def test_frames_pass_into_statements_and_back(tmp_path: Path) -> None:
    part = pl.DataFrame(
        {
            "nothing": [None, None],
            "number": [1.5, None],
            "word": ["a", None],
            "kind": pl.Series(["x", None], dtype=pl.Categorical),
            "time": [START, None],
            "flag": [True, None],
        }
    )
    frame = pl.concat([part, part], rechunk=False)
    with Store.open(_store_path(tmp_path)) as store, store.view("incoming", frame):
        store.connection.execute(
            "CREATE TEMP TABLE kept (nothing INTEGER, number DOUBLE, word VARCHAR, kind VARCHAR, "
            "time TIMESTAMPTZ, flag BOOLEAN)"
        )
        store.connection.execute("INSERT INTO kept BY NAME SELECT * FROM incoming")
        back = store.frame("SELECT * FROM kept")
        assert store.frame("SELECT * FROM kept WHERE false").shape == (0, 6)
    assert back.rows() == frame.rows()


def test_what_was_read_is_let_go_of(tmp_path: Path) -> None:
    def held(store: Store) -> float:
        store.frame("SELECT sum(value) FROM samples")
        used = "SELECT sum(memory_usage_bytes) / 2^20 FROM duckdb_memory()"
        return float(store.frame(used).item())

    with Store.open(tmp_path / "s.duckdb") as store:
        store.connection.execute(
            "INSERT INTO samples SELECT 1, make_timestamp(i), random(), 0 FROM range(4000000) r(i)"
        )
    with Store.open(tmp_path / "s.duckdb", read_only=True) as store:
        assert held(store) > 24
        store.hold_at_most("16MiB")
        assert held(store) <= 16


def test_samples_come_back_sorted_and_cut_at_the_bounds(tmp_path: Path) -> None:
    rows = samples(50, ("B", "A", "C"))
    # Three files, out of order and overlapping, so that the store itself is not in order.
    for number, part in enumerate((rows[75:], rows[:90:2], rows[::-1])):
        taken(tmp_path, long_csv(part), f"{number}.csv")
    start, end = START + timedelta(seconds=100), START + timedelta(seconds=200)
    with store_of(tmp_path) as store:
        found = read_samples(store, ["C", "A", "nowhere"], start, end)
    assert list(found) == ["C", "A", "nowhere"]
    for tag, offset in (("A", 110.5), ("C", 210.5)):
        assert found[tag].time_us.tolist() == [epoch_us(start) + 10_000_000 * n for n in range(10)]
        assert found[tag].value.tolist() == [offset + n for n in range(10, 20)]
        assert found[tag].quality.tolist() == [0] * 10
    empty = found["nowhere"]
    assert (len(empty.time_us), len(empty.value), len(empty.quality)) == (0, 0, 0)
    kinds = [empty.time_us.dtype.str, empty.value.dtype.str, empty.quality.dtype.str]
    assert kinds == ["<i8", "<f8", "|u1"]


def test_the_last_sample_before_an_instant(tmp_path: Path) -> None:
    taken(tmp_path, long_csv(samples(10)))
    with store_of(tmp_path) as store:
        at = START + timedelta(seconds=50)
        found = last_before(store, ["DP", "PT", "nowhere"], at, within=timedelta(hours=1))
        assert found == {
            "DP": (epoch_us(START) + 40_000_000, 14.5, 0),
            "PT": (epoch_us(START) + 40_000_000, 114.5, 0),
        }
        late = START + timedelta(hours=2)
        assert last_before(store, ["DP"], late, within=timedelta(hours=1)) == {}
        assert last_before(store, [], at, within=timedelta(hours=1)) == {}


@pytest.mark.parametrize("text", ["1901-05-06T07:08:09.123456", "2199-12-31T23:59:59.999999"])
def test_instants_and_microseconds(text: str) -> None:
    instant = datetime.fromisoformat(text).replace(tzinfo=UTC)
    assert from_epoch_us(epoch_us(instant)) == instant


def test_local_days_of_scattered_instants() -> None:
    zone = ZoneInfo("Asia/Kathmandu")  # UTC+05:45: a day begins at 18:15 UTC
    instants = [
        datetime(2026, 5, 9, 18, 14, 59, tzinfo=UTC),
        datetime(2026, 5, 9, 18, 15, tzinfo=UTC),
        datetime(2020, 1, 1, tzinfo=UTC),
    ]
    found = local_days(np.array([epoch_us(instant) for instant in instants]), zone)
    assert [day.isoformat() for day in found] == ["2020-01-01", "2026-05-09", "2026-05-10"]


def test_a_changed_last_sample_is_replaced_beside_an_unchanged_one(tmp_path: Path) -> None:
    """Rows that go are looked for within the span of the export, its last instant included."""
    head = "tag,time,value,quality\n"
    at = [f"2026-03-02T00:00:0{second}Z" for second in range(3)]
    taken(tmp_path, head + "".join(f"DP,{one},1.0,Good\n" for one in at))
    again = zip(at, (2.0, 1.0, 3.0), strict=True)
    taken(tmp_path, head + "".join(f"DP,{one},{value},Good\n" for one, value in again))
    assert [value for _, _, value, _ in stored(tmp_path)] == [2.0, 1.0, 3.0]
