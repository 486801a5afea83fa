"""Old days in Parquet files: read as before, whole or not at all, and back when late data come."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pyarrow.dataset as ds
import pytest
from helpers.exports import STORE, counts, open_store, take, taken
from helpers.nights.night_runs import night
from helpers.old_days import BEFORE, START, TAGS, ZONE, archive, everything, text
from helpers.site_texts import SITE

from rowcall.cli import main
from rowcall.errors import StoreError
from rowcall.store.archive import moving
from rowcall.store.archive.archived import archived_days, file_of, folder_of
from rowcall.store.samples import last_before, read_samples
from rowcall.take_in import Outcome


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with a store of its own."""
    open_store(tmp_path / STORE).close()
    taken(tmp_path, text(), "first.csv")
    return tmp_path


def test_archived_days_are_read_as_before(folder: Path) -> None:
    with open_store(folder / STORE) as store:
        whole, instant = everything(store), START + timedelta(days=1, hours=3)
        last = last_before(store, TAGS, instant, within=timedelta(days=2))
        assert archive(store) == [date(2026, 3, 28), date(2026, 3, 29)]
        assert archive(store) == []
        (left,) = store.connection.execute("SELECT count(*) FROM samples").fetchall()
        assert left == (2 * (3 * 144 - 144 - 138),)  # the night of the change is an hour short
        assert everything(store) == whole
        assert last_before(store, TAGS, instant, within=timedelta(days=2)) == last
        assert last


def test_engines_read_the_folder_alike(folder: Path) -> None:
    """Hive-partitioned by day, as polars, DuckDB and pyarrow know it from the registry."""
    with open_store(folder / STORE) as store:
        archive(store)
    place = folder_of(folder / STORE)
    by_polars = pl.read_parquet(place / "**/*.parquet", hive_partitioning=True)
    by_arrow = ds.dataset(place, format="parquet", partitioning="hive").to_table()
    found = duckdb.sql(f"SELECT tag, time, value, quality FROM read_parquet('{place}/*/*.parquet')")
    by_duckdb = pl.DataFrame(found)
    assert by_polars.height == by_arrow.num_rows == by_duckdb.height == 2 * (144 + 138)
    assert by_polars["day"].unique().sort().to_list() == [date(2026, 3, 28), date(2026, 3, 29)]
    columns, order = ["tag", "time", "value", "quality"], ["tag", "time"]
    tables = [by_polars, pl.DataFrame(by_arrow), by_duckdb]
    first, *others = (table.select(columns).sort(order) for table in tables)
    for other in others:
        assert first.equals(other)


def test_a_late_export_finds_its_archived_day_in_the_store(folder: Path, tmp_path: Path) -> None:
    late = text(shift=0.0).replace(
        "DP,2026-03-28T10:00:00+00:00,", "DP,2026-03-28T10:00:00+00:00,9"
    )
    (tmp_path / "late.csv").write_text(late, encoding="utf-8")
    with open_store(folder / STORE) as store:
        archive(store)
        (result,) = take(store, tmp_path / "late.csv")
        assert counts(result) == (864, 0, 1, 863, 0)
        assert archived_days(store) == []
        found = read_samples(store, ["DP"], START, START + timedelta(days=3))["DP"]
        changed = np.flatnonzero(found.value != np.arange(432.0))
        assert found.value[changed].tolist() == [966.0]
        assert len(archive(store)) == 2
        again = read_samples(store, ["DP"], START, START + timedelta(days=3))["DP"]
        assert again.value.tobytes() == found.value.tobytes()


def test_a_late_export_of_another_day_leaves_the_archive_alone(folder: Path) -> None:
    (folder / "next.csv").write_text(text(first=START + timedelta(days=9)), encoding="utf-8")
    with open_store(folder / STORE) as store:
        archive(store)
        take(store, folder / "next.csv")
        assert len(archived_days(store)) == 2


def test_a_late_export_of_days_around_an_archived_one_leaves_that_one_alone(folder: Path) -> None:
    lines = [f"DP,2026-03-{day}T10:00:00+00:00,9" for day in (28, 30)]
    (folder / "around.csv").write_text("\n".join(["tag,time,value", *lines, ""]), encoding="utf-8")
    with open_store(folder / STORE) as store:
        archive(store)
        take(store, folder / "around.csv")
        assert [one.day for one in archived_days(store)] == [date(2026, 3, 29)]


def test_a_run_killed_before_it_deletes_leaves_all_in_the_store(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_store(folder / STORE) as store:
        whole = everything(store)
        with monkeypatch.context() as patch:
            patch.setattr(moving, "ArchivedDay", _killed)
            with pytest.raises(KeyboardInterrupt):
                archive(store)
        assert file_of(store.path, date(2026, 3, 28)).exists()
        assert everything(store) == whole
        assert len(archive(store)) == 2
        assert everything(store) == whole


def _killed(*_: object) -> None:
    raise KeyboardInterrupt


def test_what_was_written_wrongly_is_not_used(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_store(folder / STORE) as store:
        whole = everything(store)
        one_short = moving._COLUMNS.replace("value", "value + 1 AS value")
        asked = store.connection
        monkeypatch.setattr(store, "connection", _Writes(asked, one_short))
        with pytest.raises(StoreError, match="not what the store holds"):
            archive(store)
        monkeypatch.setattr(store, "connection", asked)
        assert everything(store) == whole
        assert archived_days(store) == []


class _Writes:
    """A connection that copies other values than it was asked to."""

    def __init__(self, asked: duckdb.DuckDBPyConnection, columns: str) -> None:
        self.asked, self.columns = asked, columns

    def execute(self, query: str, *given: object) -> duckdb.DuckDBPyConnection:
        if query.startswith("COPY"):
            query = query.replace(moving._COLUMNS, self.columns)
        return self.asked.execute(query, *given)


def test_a_lost_file_is_said_and_refuses_only_exports_of_its_day(folder: Path) -> None:
    with open_store(folder / STORE) as store:
        archive(store)
        file_of(store.path, date(2026, 3, 28)).unlink()
        with pytest.raises(StoreError, match=r"2026-03-28 were archived here and are gone; put"):
            everything(store)
        (folder / "late.csv").write_text(text(shift=1.0), encoding="utf-8")
        (folder / "next.csv").write_text(text(first=START + timedelta(days=9)), encoding="utf-8")
        late, later = take(store, folder / "late.csv", folder / "next.csv")
        assert late.outcome is Outcome.REFUSED
        assert "put the file back from a backup" in late.message
        assert later.outcome is Outcome.STORED


@pytest.mark.parametrize("harm", ["changed", "gone"])
def test_check_store_reads_the_archive(
    folder: Path, harm: str, capsys: pytest.CaptureFixture[str]
) -> None:
    site = folder / "site.toml"
    site.write_text(SITE.replace('"UTC"', f'"{ZONE.key}"'), encoding="utf-8")
    at = ["--site", str(site)]
    assert main(["archive", *at, "--before", BEFORE.isoformat()]) == 0
    assert "2 days with 564 samples moved here" in capsys.readouterr().out
    assert main(["check-store", *at]) == 0
    assert "2 archived days are whole" in capsys.readouterr().out
    path = file_of(folder / STORE, date(2026, 3, 29))
    if harm == "gone":
        path.unlink()
    else:
        content = bytearray(path.read_bytes())
        content[len(content) // 2] ^= 1
        path.write_bytes(content)
    assert main(["check-store", *at]) == 2
    assert "not so: 2026-03-29" in capsys.readouterr().out


@pytest.mark.parametrize("fails", [False, True])
def test_nights_archive_what_the_site_file_wants_no_longer_in_the_store(
    folder: Path, fails: bool
) -> None:
    """After mail, so that a failure costs the night nothing but a sentence."""
    site = SITE.replace('"UTC"', f'"{ZONE.key}"')
    (folder / "site.toml").write_text(f"{site}\n[archive]\nafter_days = 100\n", encoding="utf-8")
    (folder / "inbox").mkdir()
    if fails:
        (folder / f"{STORE}.archive").write_text("in its way", encoding="utf-8")
    now = datetime.combine(BEFORE, time(5), ZONE) + timedelta(days=100)
    result = night(folder, now=now)
    with open_store(folder / STORE) as store:
        days = [one.day for one in archived_days(store)]
    assert days == ([] if fails else [date(2026, 3, 28), date(2026, 3, 29)])
    said = [text for text in result.unusable if text.startswith("The archive: ")]
    assert len(said) == fails
    assert all("still in the store" in text for text in said)
    assert night(folder, now=now).reports == []
