"""Exports taken in together, the next one read while one is stored, come out as one by one."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from helpers.exports import NOW, open_store, plant_site
from soak.portrait import STORE, Portrait, differences, portrait

from rowcall.errors import StoreError
from rowcall.file_note import FileNote
from rowcall.store import Store
from rowcall.store.batch import Export
from rowcall.store.exports import Contradicted, store_export
from rowcall.store.future_rows import Again
from rowcall.take_in import Outcome, TakenIn, take_in

HEADER = "tag,time,value,quality\n"


def export(first: int, count: int, offset: float = 0.0, end: str = "") -> str:
    rows = [
        f"BH1.T{number % 2},2026-03-02T00:{number // 60 % 60:02d}:{number % 60:02d}Z,"
        f"{number + offset},Good"
        for number in range(first, first + count)
    ]
    return HEADER + "\n".join(rows) + end


def inbox(folder: Path) -> list[Path]:
    """Exports that overlap, come again, are damaged, or hold nothing that is usable."""
    folder.mkdir()
    texts = {
        "a": export(0, 300),
        "b": export(200, 300, 0.5),
        "c": export(0, 300),  # as the first: known
        "d": "",
        "e": export(400, 300, end="\nBH1.T0,when,1,Good\n"),
        "f": export(0, 30).replace("Good", "odd"),
        "g": export(100, 250, 0.25),
        "h": export(200, 300, 0.5),  # as the second: known
    }
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text)
    pl.read_csv(folder / "g.csv", try_parse_dates=True).write_parquet(folder / "i.parquet")
    (folder / "j.parquet").write_bytes((folder / "i.parquet").read_bytes()[:-9])
    return sorted(folder.iterdir())


def taken_in(folder: Path, turns: list[list[Path]]) -> tuple[list[TakenIn], Portrait]:
    folder.mkdir()
    results: list[TakenIn] = []
    with open_store(folder / STORE) as store:
        for paths in turns:
            results += take_in(store, plant_site(None), paths, now=NOW, progress=lambda text: None)
    return results, portrait(folder)


def test_together_as_one_by_one(tmp_path: Path) -> None:
    paths = inbox(tmp_path / "inbox")
    together, store = taken_in(tmp_path / "together", [paths])
    alone, other = taken_in(tmp_path / "alone", [[path] for path in paths])
    assert together == alone
    assert differences(store, other) == []
    assert {result.outcome for result in together} == {
        Outcome.STORED,
        Outcome.KNOWN,
        Outcome.REFUSED,
    }


def grow(path: Path) -> None:
    path.write_text(path.read_text() + export(900, 20).removeprefix(HEADER))


def vanish(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize("change", [grow, vanish])
def test_a_file_that_changes_between_reading_it_and_its_turn_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], None]
) -> None:
    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for number, path in enumerate(paths):
        path.write_text(export(200 * number, 201 + number))
    left = [change]

    def storing_slowly(
        store: Store, export: Export, again: Again | None
    ) -> tuple[FileNote, Contradicted]:
        if left:
            left.pop()(paths[1])
        return store_export(store, export, again)

    monkeypatch.setattr("rowcall.take_in.load.storing.store_export", storing_slowly)
    with open_store(tmp_path / "store.duckdb") as store:
        first, second = take_in(store, plant_site(None), paths, now=NOW, progress=lambda text: None)
    assert (first.outcome, second.outcome) == (Outcome.STORED, Outcome.WAITING)
    assert "changed while it was being read" in second.message


def test_a_store_that_fails_ends_what_is_read_before_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = [tmp_path / "a.csv", tmp_path / "b.csv"]
    for number, path in enumerate(paths):
        path.write_text(export(200 * number, 3_000 + number))

    def fail(*_: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr("rowcall.take_in.load.storing.store_export", fail)
    with open_store(tmp_path / "store.duckdb") as store:
        with pytest.raises(StoreError):
            take_in(store, plant_site(None), paths, now=NOW, progress=lambda text: None)
        assert store.connection.execute("SELECT count(*) FROM files").fetchall() == [(0,)]
