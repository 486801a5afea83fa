"""Stores checked, backed up and damaged: said plainly, and nothing taken for what it is not."""

from __future__ import annotations

import shutil
from pathlib import Path

import duckdb
import pytest
from helpers.exports import STORE, open_store, taken
from helpers.site_texts import SITE

from rowcall.cli import main
from rowcall.errors import StoreError
from rowcall.store import Store

BLOCK = 4096  # bytes; DuckDB's three headers have this size
PLACES = 30  # that are damaged one at a time, spread over the file


@pytest.fixture
def site(whole: Path, tmp_path: Path) -> Path:
    """Return the path of a site file whose store holds two exports."""
    return Path(shutil.copytree(whole, tmp_path, dirs_exist_ok=True)) / "site.toml"


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder that tests get copies of."""
    folder = tmp_path_factory.mktemp("whole")
    lines = [f"DP,2026-03-02T05:{n // 60:02d}:{n % 60:02d}Z,{n % 7}" for n in range(3000)]
    text = "\n".join(["tag,time,value", *lines, "DP,soon,2\n"])
    open_store(folder / STORE).close()
    taken(folder, text, "monday.csv")
    taken(folder, "tag,time,value\nDP,2026-03-02T05:00:00Z,99\n", "tuesday.csv")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return folder


def _store_of(site: Path) -> Path:
    (path,) = site.parent.glob("*.duckdb")
    return path


def _check(site: Path, *more: str) -> int:
    return main(["check-store", "--site", str(site), *more])


def test_a_store_and_its_backup_are_whole(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = site.parent / "copy.duckdb"
    assert _check(site) == 0
    assert main(["backup", "--site", str(site), "--to", str(copy)]) == 0
    assert _check(site, "--store", str(copy)) == 0
    out = capsys.readouterr().out
    assert out.count("table samples: 3,000 rows read: in order") == 2
    assert f"{copy}: the store is whole." in out
    assert main(["backup", "--site", str(site), "--to", str(copy)]) == 2
    assert "not overwritten" in capsys.readouterr().err


def test_a_backup_of_a_store_left_open_by_a_killed_run_has_all_of_it(site: Path) -> None:
    store, copy = _store_of(site), site.parent / "copy.duckdb"
    with duckdb.connect(str(store)) as connection:
        connection.execute("SET checkpoint_threshold = '1GB'")
        connection.execute("PRAGMA disable_checkpoint_on_shutdown")
        connection.execute("INSERT INTO tags VALUES (9, 'late')")
    assert store.with_name(store.name + ".wal").exists()
    assert main(["backup", "--site", str(site), "--to", str(copy)]) == 0
    with Store.open(copy, read_only=True) as opened:
        found = opened.connection.execute("SELECT name FROM tags WHERE tag_id = 9").fetchall()
    assert found == [("late",)]


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DELETE FROM samples WHERE value = 99", "2999 instead of 3000"),
        ("UPDATE files SET rows_read = 7 WHERE name = 'monday.csv'", "not so: monday.csv"),
        ("DELETE FROM set_aside", "as many as the ledger says: not so: monday.csv"),
        ("DELETE FROM tags", "each sample has a name: not so: "),
        ("INSERT INTO judged VALUES ('2026-03-02', 1, '', now(), 1, true)", "not so: 2026-03-02"),
    ],
)
def test_counts_that_contradict_each_other_are_named(
    site: Path, statement: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with duckdb.connect(str(_store_of(site))) as connection:
        connection.execute(statement)
    assert _check(site) == 2
    out, err = capsys.readouterr()
    assert said in out
    assert "not all of it is in order" in err


def test_damage_anywhere_is_called_damage(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = _store_of(site)
    whole = store.read_bytes()
    seen = 0
    for place in range(100, len(whole), len(whole) // PLACES):
        damaged = bytearray(whole)
        damaged[place] ^= 0xFF
        store.write_bytes(damaged)
        code = _check(site)
        out, err = capsys.readouterr()
        assert code in (0, 2)
        assert "another process" not in err
        if code:
            seen += 1
            assert "backup" in err
            assert "the store is damaged" in err or "cannot be read whole" in out
    assert seen >= 3  # a block that holds nothing may hold anything


def test_a_store_cut_short_is_damaged(site: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = _store_of(site)
    whole = store.read_bytes()
    for share in (0.05, 0.3, 0.6, 0.95):
        store.write_bytes(whole[: round(len(whole) * share)])
        assert _check(site) == 2
        assert "newest backup" in capsys.readouterr().err


def test_damage_met_at_work_is_called_damage(site: Path) -> None:
    store = _store_of(site)
    with duckdb.connect(str(store)) as connection:
        ((block,),) = connection.execute(
            "SELECT max(block_id) FROM pragma_storage_info('samples') WHERE block_id >= 0"
        ).fetchall()
    damaged = bytearray(store.read_bytes())
    damaged[3 * BLOCK + block * 262144 + 100] ^= 0xFF
    store.write_bytes(damaged)
    with pytest.raises(StoreError, match="the store is damaged"), Store.open(store) as opened:
        opened.connection.execute("SELECT sum(value), sum(tag_id), max(time) FROM samples")


def test_a_log_of_another_copy_is_named_with_what_to_do(tmp_path: Path) -> None:
    """As where a backup was put in the place of a store whose last run was cut off."""
    path = tmp_path / "rowcall.duckdb"
    Store.open(path).close()
    backup = path.read_bytes()
    for _ in range(2):
        with duckdb.connect(str(path)) as connection:
            connection.execute("CREATE OR REPLACE TABLE more AS SELECT 1")
            connection.execute("CHECKPOINT")
            connection.execute("PRAGMA disable_checkpoint_on_shutdown")
            connection.execute("INSERT INTO more VALUES (2)")
    path.write_bytes(backup)
    with pytest.raises(StoreError, match=r"ends in \.wal beside it belongs to another copy"):
        Store.open(path)
    path.with_name("rowcall.duckdb.wal").unlink()
    Store.open(path).close()
