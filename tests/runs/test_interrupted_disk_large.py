"""A disk that fills while a large export is laid out, or a file is written that was asked for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from helpers.nights.small_plant import MORNING, copy_plant
from soak.disk import full_disk

from rowcall.cli import Exit, main
from rowcall.errors import StoreError
from rowcall.site_file import read_site
from rowcall.store import Store
from rowcall.take_in import Outcome, TakenIn, find_exports, take_in
from rowcall.take_in.load.memory import Memory


# While the staging file is made; while it is filled, early and late; while the store commits.
@pytest.mark.parametrize(
    ("n_bytes", "kind"),
    [(10_000, "csv"), (100_000, "parquet"), (400_000, "csv"), (1_000_000, "parquet")],
)
def test_full_while_a_large_export_is_laid_out(
    made: Path, tmp_path: Path, n_bytes: int, kind: str
) -> None:
    """Wherever the disk fills, a plain sentence says so, and the next run starts afresh."""
    plant = copy_plant(made, tmp_path / "plant", days=1)
    (export,) = (plant / "inbox").iterdir()
    if kind == "csv":
        pl.read_parquet(export).write_csv(export.with_suffix(".csv"))
        export.unlink()
    little = Memory(whole_bytes=1_000, block_bytes=200_000, slice_rows=20_000)
    site = read_site(plant / "site.toml")

    def take(store: Store) -> list[TakenIn]:
        return take_in(
            store,
            site,
            find_exports(site.inbox),
            now=MORNING,
            settle_s=0.0,
            progress=lambda text: None,
            memory=little,
        )

    with full_disk() as fill, Store.open(site.store) as store:
        fill(n_bytes)
        with pytest.raises(StoreError, match="disk has room"):
            take(store)
    assert not list(plant.glob("*.staging*"))
    with Store.open(site.store) as store:
        (result,) = take(store)
        assert result.outcome is Outcome.STORED
        assert result.note is not None
        (count,) = store.connection.execute("SELECT count(*) FROM samples").fetchall()
    assert count == (result.note.stored,)


@pytest.mark.parametrize("command", ["set-aside", "new-site"])
def test_a_file_that_cannot_be_written_is_told_in_a_sentence(
    judged: Callable[[Path, int], Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    command: str,
) -> None:
    plant = judged(tmp_path / "plant", 1)
    (export,) = (plant / "inbox").iterdir()
    source = {"set-aside": ["--site", str(plant / "site.toml")], "new-site": [str(export)]}
    for target, n_bytes in ((tmp_path / "nowhere" / "out", None), (tmp_path / "out", 3)):
        with full_disk() as fill:
            if n_bytes is not None:
                fill(n_bytes)
            assert main([command, *source[command], "--to", str(target)]) == Exit.NOT_DONE
        assert f"{target}: it cannot be written (" in capsys.readouterr().err
        assert not target.exists()
